"""The guide: what a user reads, shown in the terminal."""

"""What was practised, kept: sessions rep by rep, compared, reported, exported, merged and forgotten."""

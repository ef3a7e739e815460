"""Real balls: a feeder's contacts and the player's landings heard, live or in a recording, and nothing played."""

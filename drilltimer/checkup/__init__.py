"""The sound check's own measurements: pure functions of what was played and what was heard."""

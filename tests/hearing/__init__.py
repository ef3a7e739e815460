"""Training scenes for landings, what the ear makes of them, and the fit of its weights."""

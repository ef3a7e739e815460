"""Groups: who is where when, what all of them hear, and whose each landing is."""

"""What a landing means: its grade against the window, the session's scores, what the player is told and when."""

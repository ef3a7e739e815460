"""Practice with a phone: a drill as a sound file, and any recorder's recording scored against its cue sheet."""

"""What is practised: a drill file becomes a `Drill`, a drill and a seed become reps."""

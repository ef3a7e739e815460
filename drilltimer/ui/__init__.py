"""What is shown: drawing is a function of values, and knows nothing of sound."""

"""What is played: sounds made from formula, spoken words, and the mixer that places them by frame."""

"""Words about the session itself, said where the language has them."""

PAUSE_WORD, RESUME_WORD = "stop", "get-ready"
HARDER_WORD, EASIER_WORD, GUESS_WORD = "harder", "easier", "your-guess"
SESSION_WORDS = (PAUSE_WORD, RESUME_WORD, HARDER_WORD, EASIER_WORD, GUESS_WORD)

"""A player and a room made of formulas: the demo, the tests and the accuracy table all run on them.

Nothing here may know how hearing or scoring works; a test that shares code with what it tests proves nothing.
"""

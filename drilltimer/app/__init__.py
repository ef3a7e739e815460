"""Composition roots: each opens what a verb needs, runs it, and closes it in order."""

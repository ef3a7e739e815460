"""Scenes of live feeding made by formula: for fitting what the ear knows, and for measuring it."""

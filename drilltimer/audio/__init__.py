"""Rooms that touch the world of sound: the card, its list of devices, and sound files."""

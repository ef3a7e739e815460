"""Groups: who is where when, what all of them hear, and whose each landing is.

A group session is one state machine of its own, not a `Session` per lane: turns, change-overs and the booking's end are
about all players, and nobody is told by ear, because a tone that all can hear is nobody's.
"""

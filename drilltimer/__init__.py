"""Times a split step's touchdown against the contact it answers.

Every number in this package carries its unit in its name (``_s _ms _hz _db _m _c _ppm``) or is an integer
count of frames. Times are on one clock, the frame counter of one stream or one recording. Errors are
negative when the player is early.
"""

__version__ = "0.1.0"

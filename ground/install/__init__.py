"""Putting the firmware onto a board: what goes there, and how it is built."""

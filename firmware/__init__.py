"""What runs on the board (MicroPython); all but board.py and main.py runs on CPython too."""

VERSION = (0, 1)  # major, minor; in every BOOT record

"""What runs on the board (MicroPython); all but board.py and main.py runs on CPython too."""

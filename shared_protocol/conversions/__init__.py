"""Raw words into physics, one chip a file; the same code serves whole numbers on the board and numpy arrays on the ground."""

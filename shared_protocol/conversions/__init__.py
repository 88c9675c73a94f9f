"""Raw words into physics, one chip a file; one code serves whole numbers on the board and numpy arrays on ground."""

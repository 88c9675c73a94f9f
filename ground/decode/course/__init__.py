"""The flight as a whole: its UTC line, one row a second, its phases and its results."""

"""Virtual chips, one a file: register level, stricter than the real ones, data sheet sections cited."""

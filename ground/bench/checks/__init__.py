"""Checks of the bench, one subject a file. Each is a function `check(evidence)` that gives a list of `Finding`."""

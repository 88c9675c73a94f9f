"""The few names that differ between MicroPython and CPython."""

try:
    from micropython import const
except ImportError:

    def const(value):  # type: ignore[misc]
        """Give the value back; on the board the compiler folds it away."""
        return value

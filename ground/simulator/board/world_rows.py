"""What the chips measure: columns of the world's table, or a bench where a test sets each quantity by hand.

A chip asks once for a column (`column(name)`) and then for values (`at(column, time_us)`). The table lies in a file
of little-endian doubles, row after row at a fixed step; a few hundred rows at a time are kept in memory, and values
between two rows are interpolated linearly. Time outside the table gives its first or last row, so the box goes on
lying where it landed for as long as anybody looks.
"""

from array import array

_BLOCK_ROWS = 128
_ROWS_KEPT_BEHIND = 8  # chips look a little back in time: a conversion that ended a moment ago


class WorldRows:
    """A binary table of float64, row k being the world k * step_us after the first power-up.

    Parameters
    ----------
    path : str
        File of little-endian doubles, shape (row_count, len(columns)).
    columns : list of str
        Names of the columns in file order.
    step_us : int
        Time between two rows. [us]
    row_count : int
        Number of rows, at least 2.
    """

    def __init__(self, path, columns, step_us, row_count):
        self._columns = columns
        self._width = len(columns)
        self._step_us = step_us
        self._row_count = row_count
        self._file = open(path, "rb")
        self._block_rows = min(_BLOCK_ROWS, row_count)
        self._block = array("d", [0.0] * (self._block_rows * self._width))
        self._first = -1  # first row held in the block
        self._last = -1  # last row from which a value may be interpolated
        self._load(0)

    def column(self, name):
        """Handle of a column. Raises KeyError naming the columns there are."""
        if name not in self._columns:
            raise KeyError("the world has no column %s; it has %s" % (name, ", ".join(self._columns)))
        return self._columns.index(name)

    def at(self, column, time_us):
        """Value of a column at a moment of world time."""
        step_us = self._step_us
        row = time_us // step_us
        if row < self._first or row >= self._last:
            if row < 0:
                row, time_us = 0, 0
            elif row >= self._row_count - 1:
                row = self._row_count - 2
                time_us = (row + 1) * step_us
            if row < self._first or row >= self._last:
                self._load(row)
        index = (row - self._first) * self._width + column
        block = self._block
        value = block[index]
        return value + (block[index + self._width] - value) * ((time_us - row * step_us) / step_us)

    def _load(self, row):
        first = max(0, min(row - _ROWS_KEPT_BEHIND, self._row_count - self._block_rows))
        self._file.seek(first * self._width * 8)
        if self._file.readinto(self._block) != self._block_rows * self._width * 8:
            raise OSError("the world's table ends early, at row %d" % first)
        self._first = first
        self._last = first + self._block_rows - 1


class Bench:
    """The bench door for quantities: a test says what is true, for all time, until it says something else."""

    def __init__(self, **values):
        self.values = values

    def column(self, name):
        return name

    def at(self, column, time_us):
        return self.values[column]

"""A table between the decoder and the file: named columns of numbers, words and moments, each with its unit.

Numbers are numpy arrays (NaN in a float column becomes null). Words are few distinct texts, kept as codes; moments
are milliseconds UTC. Nothing here knows Parquet or CSV; writing.py does.
"""

from dataclasses import dataclass, field

import numpy as np


@dataclass
class Words:
    """Text column: `vocabulary[codes[n]]`, null where the code is -1."""

    codes: np.ndarray
    vocabulary: list

    def __len__(self):
        return len(self.codes)

    def take(self, order):
        """The rows named by an index array or a slice."""
        return Words(self.codes[order], self.vocabulary)

    def is_word(self, word):
        """Where the text is `word`; bool array."""
        hits = [code for code, text in enumerate(self.vocabulary) if text == word]
        return np.isin(self.codes, hits) if hits else np.zeros(len(self.codes), dtype=bool)

    def to_list(self):
        """The texts, None for null."""
        return [None if code < 0 else self.vocabulary[code] for code in self.codes.tolist()]


@dataclass
class Moments:
    """Column of moments: milliseconds since 1970 UTC, null where not known. Written as ISO 8601 with ms and Z."""

    ms: np.ndarray
    known: np.ndarray

    def __len__(self):
        return len(self.ms)

    def take(self, order):
        """The rows named by an index array or a slice."""
        return Moments(self.ms[order], self.known[order])


@dataclass
class Maybe:
    """Column of whole numbers, null where not known."""

    values: np.ndarray
    known: np.ndarray

    def __len__(self):
        return len(self.values)

    def take(self, order):
        """The rows named by an index array or a slice."""
        return Maybe(self.values[order], self.known[order])


@dataclass
class Table:
    """Rows of one kind.

    Attributes
    ----------
    name : str
    columns : dict of str to numpy.ndarray, Words, Moments or Maybe
        All of one length.
    about : dict of str to dict
        By column: unit, meaning, rated range and accuracy, as far as they apply; goes into the Parquet schema.
    """

    name: str
    columns: dict
    about: dict = field(default_factory=dict)

    def __len__(self):
        return len(next(iter(self.columns.values()))) if self.columns else 0

    def __getitem__(self, column):
        return self.columns[column]

    def take(self, order):
        """The rows named by an index array or a slice, as a new table."""
        columns = {
            name: column[order] if isinstance(column, np.ndarray) else column.take(order)
            for name, column in self.columns.items()
        }
        return Table(self.name, columns, self.about)


def words(texts):
    """A Words column from a list of texts (None for null)."""
    vocabulary = {}
    codes = [-1 if text is None else vocabulary.setdefault(text, len(vocabulary)) for text in texts]
    return Words(np.array(codes, dtype=np.int32).reshape(len(codes)), list(vocabulary))


def float_or_nan(raw, divisor=1, unknown=None):
    """Raw whole numbers in their unit, NaN where equal to `unknown`."""
    values = raw / divisor
    if unknown is not None:
        values[raw == unknown] = np.nan
    return values

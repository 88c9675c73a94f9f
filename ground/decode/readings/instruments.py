"""What the numbers in readings stand for: names of probes and channels, shunts, calibration words, by boot.

The board says it at each boot. If that record was lost, another boot of the same log stands in, the one before first:
the same parts are wired to the same pins.
"""

import re

import numpy as np

from ground.decode.by_value import rows_by_value
from ground.decode.frames.wire import KIND_OF_NAME


class Declared:
    """The last declaration of each instrument in each boot, of one record type."""

    def __init__(self, records, record_name, number_field, usable=None):
        kind = KIND_OF_NAME[record_name]
        self._pairs = records.keys.pairs
        self._by_key = {}
        for row, key in zip(records.rows[kind], records.row_keys[kind].tolist(), strict=True):
            if usable is None or usable(row):
                self._by_key.setdefault(int(row[number_field]), {})[key] = row

    def find(self, key, number):
        """The declaration that holds for an instrument in a boot; None if the log has none."""
        known = self._by_key.get(number, {})
        if key in known:
            return known[key]
        log_id, boot = self._pairs[key]
        others = [other for other in known if self._pairs[other][0] == log_id]
        if not others:
            return None
        nearest = min(others, key=lambda other: (self._pairs[other][1] > boot, abs(self._pairs[other][1] - boot)))
        return known[nearest]


def groups(keys, numbers):
    """Yield `(key, number, rows)` for each boot and instrument; rows is an index array."""
    for value, rows in rows_by_value(keys.astype(np.int64) << 8 | numbers):
        yield value >> 8, value & 0xFF, rows


def text_of(raw):
    """Text of a zero-filled field; what is not printable ASCII becomes `?`, since it comes from a card."""
    return "".join(ch if " " <= ch <= "~" else "?" for ch in bytes(raw).split(b"\0")[0].decode("latin-1"))


def hex_of(raw, size=8):
    """Bytes of a code as hexadecimal digits; numpy drops zero bytes at the end, they are put back."""
    return bytes(raw).ljust(size, b"\0").hex()


def column_part(name):
    """A name as a piece of a column name: small letters, digits and `_`."""
    return re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_") or "unnamed"


def name_column(keys, numbers, declared, kind):
    """Names of the instruments of readings as (codes, vocabulary, by (key, number)).

    Without a declaration the name is made of `kind` and the number: `probe1`.
    """
    vocabulary, names = {}, {}
    codes = np.empty(len(keys), dtype=np.int32)
    for key, number, rows in groups(keys, numbers):
        row = declared.find(key, number)
        name = (text_of(row["name"]) if row is not None else "") or f"{kind}{number}"
        names[key, number] = name
        codes[rows] = vocabulary.setdefault(name, len(vocabulary))
    return codes, list(vocabulary), names

"""What the `flags` of a reading mean, and which flagged readings no line should go through."""

import numpy as np
import pandas as pd

from shared_protocol import records

# bit -> (short name, sentence for the page)
MEANINGS = {
    records.FLAG_STALE: ("stale", "older than the sensor's period"),
    records.FLAG_BUS_ERROR: ("bus error", "the bus failed in this reading or just before it"),
    records.FLAG_AFTER_RESET: ("after reset", "the chip's power-on value, or the first reading after the chip restarted"),
    records.FLAG_NEVER_CONVERTED: ("no conversion", "the chip had finished no measurement"),
    records.FLAG_FROZEN: ("frozen", "the same value for longer than a live sensor allows"),
    records.FLAG_LIMIT: ("at its limit", "the chip or the receiver says it is at its limit"),
    records.FLAG_ASSUMED_DATE: ("assumed date", "the receiver gave a time without a date"),
}
UNFIT = records.FLAG_BUS_ERROR | records.FLAG_AFTER_RESET | records.FLAG_NEVER_CONVERTED


def bits(column):
    """The flags of a table as whole numbers, shape (n,); 0 where the column is empty."""
    numbers = pd.to_numeric(column, errors="coerce").to_numpy(dtype="float64", na_value=np.nan)
    return np.nan_to_num(numbers, nan=0.0).astype("int64")


def is_unfit(column):
    """Readings that are drawn as crosses and left out of lines, extremes and medians; shape (n,), bool."""
    return (bits(column) & UNFIT) != 0


def names(value):
    """Short names of the bits set in one value, for a pop-up."""
    known = [short for bit, (short, _) in MEANINGS.items() if value & bit]
    rest = value & ~sum(MEANINGS)
    return ", ".join(known + ([f"other ({rest})"] if rest else []))


def count_by_meaning(column):
    """{short name: readings} of a table's flags, without those that occur nowhere."""
    value = bits(column)
    counts = {short: int(np.count_nonzero(value & bit)) for bit, (short, _) in MEANINGS.items()}
    rest = ~sum(MEANINGS)
    counts["other"] = int(np.count_nonzero(value & rest))
    return {name: count for name, count in counts.items() if count}

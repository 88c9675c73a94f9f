"""Flags of readings: what the board said about them, and what only the ground can know, as names joined by `|`."""

import numpy as np

from ground.decode.table import Words
from shared_protocol import records

# above the board's eight bits
OUT_OF_RANGE = 1 << 8  # outside the sensor's rated range; the value is given as computed
NO_CALIBRATION = 1 << 9  # the calibration that turns the raw words into physics is not in the log
LEAP_ASSUMED = 1 << 10  # the receiver did not say how far GPS time and UTC are apart; the table's value was used
# The receiver's time in this fix is not what the board's UTC line says, see gnss_clock.py; it was not used for it.
TIME_LEAP = 1 << 11  # ahead by the leap seconds
TIME_WEEKS = 1 << 12  # 1024 weeks off
TIME_STEP = 1 << 13  # by something else

NAMES = {
    records.FLAG_STALE: "stale",
    records.FLAG_BUS_ERROR: "bus_error",
    records.FLAG_AFTER_RESET: "after_reset",
    records.FLAG_NEVER_CONVERTED: "never_converted",
    records.FLAG_FROZEN: "frozen",
    records.FLAG_LIMIT: "limit",
    records.FLAG_ASSUMED_DATE: "assumed_date",
    records.FLAG_JUMP: "jump",
    OUT_OF_RANGE: "out_of_range",
    NO_CALIBRATION: "no_calibration",
    LEAP_ASSUMED: "leap_assumed",
    TIME_LEAP: "time_without_leap_seconds",
    TIME_WEEKS: "time_1024_weeks_off",
    TIME_STEP: "time_stepped",
}

# Readings with one of these say nothing about the world; they stay in their table and out of flight.parquet.
SUSPECT = records.FLAG_BUS_ERROR | records.FLAG_AFTER_RESET | records.FLAG_NEVER_CONVERTED | records.FLAG_FROZEN

MEANING = "names joined by |; empty: nothing is known against this reading"


def words_of(bits, names=NAMES):
    """Bit sets as a Words column; an empty set is the empty text."""
    if not bits.any():  # as in most columns
        return Words(np.zeros(len(bits), dtype=np.int32), [""] if len(bits) else [])
    distinct, codes = np.unique(bits, return_inverse=True)
    vocabulary = ["|".join(name for bit, name in names.items() if value & bit) for value in distinct.tolist()]
    return Words(codes.astype(np.int32).reshape(len(bits)), vocabulary)

"""What the flags of a reading mean for the page, and which flagged readings no line should go through.

The decoder writes flags as names joined by `|`; an empty text means that nothing is known against the reading.
"""

import numpy as np
import pandas as pd

from ground.decode.readings import flags as decoded

MEANINGS = {
    "stale": "older than the sensor’s period",
    "bus_error": "the bus failed in this reading or just before it",
    "after_reset": "the chip’s power-on value, or the first reading after the chip restarted",
    "never_converted": "the chip had finished no measurement",
    "frozen": "the same value for longer than a live sensor allows",
    "limit": "the chip or the receiver says it is at its limit",
    "assumed_date": "the receiver gave a time without a date; the last known date was used",
    "jump": "away from the fixes around it, farther than anything flies in that time",
    "time_without_leap_seconds": "the receiver’s time was ahead by the leap seconds; it was not used",
    "time_1024_weeks_off": "the receiver’s date was 1024 weeks off; it was not used",
    "time_stepped": "the receiver’s time had stepped; it was not used",
    "out_of_range": "outside the range for which the sensor’s maker vouches; the value is shown as computed",
    "no_calibration": "the calibration that turns the raw words into a value is not in the log",
    "interpolated": "in the flight table: between readings up to a few seconds apart",
    "from_flash": "in the flight table: only the second copy in the board’s flash has readings here, mostly 5 s apart",
    "leap_assumed": "the receiver did not say how far GPS time and UTC are apart; a table’s value was used",
}
OF_FLIGHT = frozenset({"interpolated", "out_of_range", "stale", "frozen", "limit"})  # said of a second of flight
FROM_FLASH = "from_flash"
UNFIT = frozenset(name for bit, name in decoded.NAMES.items() if decoded.SUSPECT & bit)


def sets(column):
    """(distinct sets of names, which of them each reading has): list of frozenset, and int array of shape (n,)."""
    codes, words = pd.factorize(column.where(column.notna(), "").astype(str))
    return [
        frozenset(name for name in word.split("|") if name and name not in ("0", "0.0", "nan")) for word in words
    ], codes


def has_any(column, wanted):
    """Readings with one of the wanted flags (set of names); shape (n,), bool."""
    distinct, codes = sets(column)
    return (
        np.array([bool(names & wanted) for names in distinct], dtype=bool)[codes] if len(codes) else np.zeros(0, bool)
    )


def is_unfit(column):
    """Readings that are drawn as crosses and left out of lines, extremes and medians; shape (n,), bool."""
    return has_any(column, UNFIT)


def is_doubtful(column):
    """Readings that lines go through although something is known against them; shape (n,), bool."""
    distinct, codes = sets(column)
    doubt = np.array([bool(names) and not names & UNFIT for names in distinct], dtype=bool)
    return doubt[codes] if len(codes) else np.zeros(0, bool)


def of_flight(column, subject):
    """Flags of one subject of the flight table (`pressure_out_of_range` of `pressure`), as a column of their own."""
    distinct, codes = sets(column)
    own = [
        "|".join(
            sorted(
                name.removeprefix(subject + "_")
                for name in names
                if name.startswith(subject + "_")
                and name.removeprefix(subject + "_") in OF_FLIGHT
                and not (name == f"{subject}_interpolated" and FROM_FLASH in names)  # 5 s apart by design
            )
        )
        for names in distinct
    ]
    return pd.Series(np.array(own, dtype=object)[codes] if len(codes) else [], dtype=object)


def occurring(columns):
    """(name, meaning) of each flag that several columns have, in the order of `MEANINGS`.

    A flag of the flight table names its subject too: `pressure_out_of_range`.
    """
    present = set().union(*(names for column in columns for names in sets(column)[0]))
    present |= {flag for name in present for flag in OF_FLIGHT if name.endswith("_" + flag)}
    return [(name, meaning) for name, meaning in MEANINGS.items() if name in present]


def words(value):
    """One reading's flags for a pop-up."""
    return str(value).replace("|", ", ").replace("_", " ") if isinstance(value, str) else ""


def counts(column):
    """{name: readings} of a table's flags, the most frequent first."""
    distinct, codes = sets(column)
    numbers: dict[str, int] = {}
    for code, names in enumerate(distinct):
        for name in names:
            numbers[name] = numbers.get(name, 0) + int(np.count_nonzero(codes == code))
    return dict(sorted(numbers.items(), key=lambda item: (-item[1], item[0])))

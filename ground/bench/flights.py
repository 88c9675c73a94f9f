"""A card that is given for a cold run and holds a flight: as the log that is judged, or as another one beside it.

The air pressure tells, which in a freezer is that of the day.
"""

import numpy as np

from ground.bench.finding import NO_GO, WARNING, Finding

SUBJECT = "cold run"
_SPAN_HPA = 100.0  # some 900 m of height; weather changes it by 40 in a night at most (common practice, no source)


def is_flight(evidence):
    """Whether the air pressure in this log, all boots, went through more than a place on the ground knows."""
    low, high = _pressure_span(evidence)
    return high - low > _SPAN_HPA


def _pressure_span(evidence):
    """Lowest and highest, but for one reading in a hundred on either side. [hPa]"""
    values = evidence.column("pressure", "pressure_hpa")
    values = values[evidence.good("pressure") & np.isfinite(values)] if len(values) else values
    return np.percentile(values, [1, 99]) if len(values) else (np.nan, np.nan)


def check(evidence, flown):
    """Findings about flights in the judged log and in the others on its card, whose names are `flown`; often none."""
    return [*_in_this_log(evidence), *_beside_it(flown)]


def _in_this_log(evidence):
    if not is_flight(evidence):
        return []
    low, high = _pressure_span(evidence)
    return [Finding(
        SUBJECT, "a run on the ground", NO_GO, f"pressure from {high:.0f} down to {low:.0f} hPa",
        f"that of one place, within {_SPAN_HPA:g} hPa",
        "This log is that of a flight, or holds one: what is said of it below is not about a freezer. If the box "
        "was in the freezer all the time, its barometer is wrong.",
        "Give the card that was in the freezer. If it is this one, and that night is in another of its logs: "
        "thistledown decode CARD --log NAME -o DIR, then thistledown bench --cold DIR. The names are in "
        "integrity.json.",
    )]  # fmt: skip


def _beside_it(flown):
    if not flown:
        return []
    one = len(flown) == 1
    return [Finding(
        SUBJECT, "flights on the card", WARNING,
        f"a flight in {' and one in '.join(flown)}, beside the run that is judged here",
        "none, or one that is kept elsewhere too",
        f"If nobody has copied {'it' if one else 'them'}, this card is all there is of {'it' if one else 'them'}.",
        "Before the box runs with this card again: make an image of the whole card, decode that, and keep it.",
    )]  # fmt: skip

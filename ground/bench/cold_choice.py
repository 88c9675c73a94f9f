"""Which power-ups of a log are the night in the freezer.

The board goes on in its newest log at every power-up, so the evenings on the table stand before the night in the
freezer, and none of them is a restart in the cold. A power-up belongs to the run of the one before it if the board
restarted itself, or if the box was cold when the one ended and when the other began: nobody switches a box in a
freezer off and on. Of several runs the newest that got cold is judged, without one the longest; a flight only if there
is nothing else.
"""

from dataclasses import replace

import numpy as np

from ground.bench.flights import is_flight

COLD_C = -15.0  # a household freezer is at -18 °C
_CHILLED_C = 5.0  # colder than any room in which a box is switched off and on
_OWN_CAUSES = (2, 3)  # of a boot: the watchdog, our own reset


def choose_run(evidence, integrity):
    """What belongs to the run that is to be judged.

    Parameters
    ----------
    evidence : Evidence
        With the tables of the whole log, all boots.
    integrity : dict
        As in integrity.json.

    Returns
    -------
    (Evidence, dict, list of str)
        Both without the other power-ups (damaged frames belong to none and are counted all the same), and names of
        other runs of the log that are flights.
    """
    runs = [(boots, _of_boots(evidence, boots)) for boots in _runs(evidence)]
    if len(runs) < 2:
        return evidence, integrity, []
    flights = [boots for boots, run in runs if is_flight(run)]
    grounded = [(boots, run) for boots, run in runs if boots not in flights] or runs
    cold = [one for one in grounded if coldest_c(one[1]) <= COLD_C]
    boots, chosen = cold[-1] if cold else max(grounded, key=lambda one: hours(one[1]))
    accounts = [one for one in integrity["boots"] if one["boot"] in boots]
    mine = {
        "boots": accounts,
        "frames_ok": sum(one["frames"] for one in accounts),
        "frames_missing": sum(one["frames_missing"] for one in accounts),
    }
    return chosen, integrity | mine, [f"{power_ups(one)} of this log" for one in flights if one != boots]


def power_ups(boots):
    """`power-up 3`, or `power-ups 3 to 5`."""
    first, last = f"{min(boots):.0f}", f"{max(boots):.0f}"
    return f"power-up {first}" if first == last else f"power-ups {first} to {last}"


def boots_of(evidence):
    """Numbers of all power-ups in the tables, rising; list of float."""
    found = [evidence.column(table, "boot") for table in evidence.tables]
    return np.unique(np.concatenate(found)).tolist() if found else []


def hours(evidence):
    """How long the board ran, all power-ups together. [h]"""
    spans = {}
    for table in evidence.tables:
        boots, times = evidence.column(table, "boot"), evidence.column(table, "t_ms")
        for boot in np.unique(boots):
            mine = times[boots == boot]
            low, high = spans.get(boot, (np.inf, -np.inf))
            spans[boot] = (min(low, mine.min()), max(high, mine.max()))
    return sum(high - low for low, high in spans.values()) / 3.6e6


def coldest_c(evidence):
    """The lowest good reading of either thermometer; +inf without any. [°C]"""
    values = evidence.column("temperature", "temperature_c")
    values = values[evidence.good("temperature") & np.isfinite(values)] if len(values) else values
    return float(values.min()) if len(values) else np.inf


def _runs(evidence):
    """Numbers of the power-ups of each run, in order; list of lists."""
    causes = dict(zip(evidence.column("boot", "boot"), evidence.column("boot", "cause"), strict=True))
    ends, runs, left_cold = _ends(evidence), [], False
    for boot in boots_of(evidence):
        first, last = ends.get(boot, (None, None))
        goes_on = left_cold and (first is None or first < _CHILLED_C)
        if runs and (goes_on or causes.get(boot) in _OWN_CAUSES):
            runs[-1].append(boot)
        else:
            runs.append([boot])
        left_cold = left_cold if last is None else last < _CHILLED_C
    return runs


def _ends(evidence):
    """By power-up the first and the last temperature, each of the colder thermometer; where there are any. [°C]"""
    if "temperature" not in evidence.tables:
        return {}
    boots, times = evidence.column("temperature", "boot"), evidence.column("temperature", "t_ms")
    values = evidence.column("temperature", "temperature_c")
    good, ends = evidence.good("temperature") & np.isfinite(values), {}
    for probe in ("outside", "inside"):
        mine = good & evidence.rows("temperature", probe=probe)
        for boot in np.unique(boots[mine]):
            here = np.flatnonzero(mine & (boots == boot))
            first, last = values[here[np.argmin(times[here])]], values[here[np.argmax(times[here])]]
            before = ends.get(boot, (np.inf, np.inf))
            ends[boot] = (min(before[0], first), min(before[1], last))
    return ends


def _of_boots(evidence, boots):
    """The same evidence with the rows of these power-ups alone."""
    tables = {
        name: table.take(np.flatnonzero(np.isin(evidence.column(name, "boot"), boots)))
        for name, table in evidence.tables.items()
        if "boot" in table.columns
    }
    return replace(evidence, tables=tables)

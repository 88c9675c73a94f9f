"""A flight folder in a screenful of words: what came back, what happened, where the files are, what to beware of.

The facts and the account are those of the report's page, so screen and page cannot disagree. Here they are put into
the order in which somebody with cold hands asks: is it all there, how high, where is it, what did the panel do.
"""

import textwrap

import numpy as np

from ground import simulated
from ground.report.account import sentences, to_know
from ground.report.facts import fact_rows
from ground.report.flags import is_unfit
from ground.report.folder import load_folder
from ground.report.story import height_at, tell
from ground.report.timeline import Timeline

WIDTH = 79
_LABEL = 21
CAUTIONS = (
    "For a real flight: follow your aviation authority's rules and notify it where they say so. Compressed gas "
    "(hydrogen above all), lithium cells in the cold, falling mass, power lines, roads, water and other people's land "
    "can hurt. What is computed here is an estimate, never permission; a person who is licensed where a licence is "
    "needed decides."
)


def summarise(flight_dir):
    """The text, lines of at most 79 characters unless a path is longer.

    Parameters
    ----------
    flight_dir : str or Path
        A flight folder.

    Returns
    -------
    str

    Raises
    ------
    InputError
        If it is no flight folder.
    """
    folder = load_folder(flight_dir)
    timeline = Timeline([folder.flight, *folder.tables.values()])
    story = tell(folder, timeline)
    lines = _origin(folder)
    lines += ["", "What was recovered"]
    said = [*sentences(folder, timeline, story), *to_know(folder)]
    lines += [line for sentence in said for line in _wrapped(sentence, "  - ", "    ")]
    lines += ["", "What happened"]
    best_heights = _best_heights(folder, timeline, story)
    for label, value, small_print in fact_rows(folder, timeline, story):
        lines += _row(label, f"{value} ({small_print})" if small_print else value)
        lines += best_heights.get(label, [])
    lines += _truth(folder)
    lines += ["", "What was written"]
    lines += _files(folder.path)
    lines += ["", *_wrapped(CAUTIONS)]
    return "\n".join(lines)


def _origin(folder):
    """Where the data come from, before any number is believed."""
    if not folder.is_simulated:
        return _wrapped(f"Flight folder {folder.path}")
    note = folder.simulation
    lines = _wrapped(simulated.sentences(note))
    for notice in note.get("notices") or ():
        lines += _wrapped(str(notice), "  ! ", "    ")
    boots = [boot for boot in note.get("boots") or () if isinstance(boot, dict)]
    objections = sum(boot.get("objection_count") or 0 for boot in boots)
    if objections or any(boot.get("escaped") for boot in boots):
        text = (
            f"The virtual chips objected {objections} times to what the firmware did, or it stopped; see flight.json."
        )
        lines += _wrapped(text, "  ! ", "    ")
    return lines


def _best_heights(folder, timeline, story):
    """{label of the fact "most power": lines that say at what height that was}; suspect readings do not count."""
    table = folder.tables["power"]
    power, channels = table["power_mw"].to_numpy(), table["channel"].astype(str).to_numpy()
    fit = np.isfinite(power) & ~is_unfit(table["flags"])
    lines = {}
    for name in dict.fromkeys(channels[fit]):
        rows = np.flatnonzero(fit & (channels == name))
        best = rows[np.argmax(power[rows])]
        moment = timeline.times(table)[best : best + 1]
        height = height_at(story, folder, timeline, moment)[0]
        if np.isfinite(height):
            lines[f"Most power, {name}"] = _row("", f"at {height:,.0f} m, {timeline.clock(moment[0])}")
    return lines


def _truth(folder):
    """How high it really went, where that is known."""
    if folder.truth is None or not np.isfinite(folder.truth["altitude_m"]).any():
        return []
    return _row("The truth, simulated", f"{folder.truth['altitude_m'].max():,.0f} m at the highest")


def _files(path):
    """The files of a flight folder that are there, the one to open first."""
    known = (
        ("report.html", "open this one in a browser; it needs no network"),
        ("figures", "the same charts as PNG"),
        ("flight.parquet", "one row a second"),
        ("flight.csv", "one row a second"),
        ("tables", "every reading"),
        ("integrity.json", "the account of what was lost"),
        ("card.img", "the card as it came home"),
        ("flash.img", "the board's flash: the second copy"),
        ("truth.parquet", "what the simulator knows"),
    )
    there = [
        (f"{path / name}{'/' if (path / name).is_dir() else ''}", what)
        for name, what in known
        if (path / name).exists()
    ]
    width = max((len(name) for name, _ in there), default=0)
    return [f"  {name:<{width}}  {what}" for name, what in there]


def _row(label, value):
    return _wrapped(value, f"  {label:<{_LABEL}} ", " " * (_LABEL + 3))


def _wrapped(text, first="", rest=""):
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False)

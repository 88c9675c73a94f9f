"""What the flight is called: on the page, in the browser's tab, on paper, and on a picture that is sent alone."""

from dataclasses import dataclass

import pandas as pd

NAME_MAX = 80  # letters; a scenario's name may be any length
MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip
# Names that people give to folders when they think of the computer and not of the flight.
SAY_NOTHING = {
    "card", "data", "decoded", "flight", "flights", "folder", "log", "logs", "new", "out", "output", "report",
    "result", "results", "temp", "test", "tmp",
}  # fmt: skip


@dataclass(frozen=True)
class Title:
    """The flight's name, and what goes with it.

    Attributes
    ----------
    name : str
        What the user called it; else the simulated scenario's name; else the folder's, if that says something; else
        the day.
    day : str
        `19 September 2026` (UTC); empty where no day is known.
    folder : str
        The folder's name, however little it says.
    """

    name: str
    day: str
    folder: str

    @property
    def small_print(self):
        """The line under the name: what the name itself does not say."""
        parts = [self.day] if self.day and self.day not in self.name else []
        if self.folder and self.folder != self.name:
            parts.append(f"folder {self.folder}")
        return ", ".join(parts)

    @property
    def with_day(self):
        """Name and day in one line, as a sheet of paper or a picture needs it."""
        return f"{self.name}, {self.day}" if self.day and self.day not in self.name else self.name


def title_of(folder, timeline, given=None):
    """The `Title` of a flight folder.

    Parameters
    ----------
    folder : ground.report.folder.FlightFolder
    timeline : ground.report.timeline.Timeline
    given : str, optional
        What the user wants it to be called.
    """
    day = _day(timeline)
    own = folder.path.resolve().name
    scenario = folder.simulation.get("scenario")
    name = (
        _one_line(given)
        or _one_line(scenario if isinstance(scenario, str) else "")
        or ("" if _says_nothing(own) else own)
        or (f"Flight of {day}" if day else "A flight")
    )
    return Title(name, day, own)


def _one_line(text):
    text = " ".join((text or "").split())
    return text if len(text) <= NAME_MAX else text[: NAME_MAX - 1].rstrip() + "…"


def _says_nothing(name):
    words = "".join(letter if letter.isalpha() else " " for letter in name.lower()).split()
    return all(word in SAY_NOTHING for word in words)


def _day(timeline):
    if not timeline.has_utc:
        return ""
    start = pd.Timestamp(int(timeline.start_ms), unit="ms")
    return f"{start.day} {MONTHS[start.month - 1]} {start.year}"

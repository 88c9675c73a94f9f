"""Which logs of a source are the flight: a used card holds older ones, and one folder is for one flight.

The newest log is taken, but not one so small that it can only be a power-up on the table afterwards; other logs join it
if they were written within a few hours of it (a log that filled up, a second copy). The rest is named in
integrity.json, and `log=` decodes it.
"""

import re
from dataclasses import dataclass

from ground.errors import InputError

_SUBSTANCE = 0.02  # of the frames of the largest log
_SAME_FLIGHT_MS = 3 * 3600 * 1000


@dataclass
class LogSummary:
    """One log of a source."""

    log_id: int
    file: str | None
    boots: list  # of boot numbers
    frames: int
    first_ms: int | None = None  # UTC, where it has GPS time
    last_ms: int | None = None
    chosen: bool = False

    def newness(self):
        """Sorts older logs before newer ones: by file number, by time, by the board's boot counter."""
        digits = re.search(r"\d{6}", self.file or "")
        return (int(digits.group()) if digits else -1, self.first_ms or 0, max(self.boots, default=0))


def choose(logs, wanted=None):
    """Mark the logs of the flight.

    Parameters
    ----------
    logs : list of LogSummary
        Not empty.
    wanted : str or int, optional
        A file name (TD000002.LOG) or log id that the user asked for.

    Returns
    -------
    list of str
        Notes about what was left out.

    Raises
    ------
    InputError
        If the wanted log is not there.
    """
    main = _named(logs, wanted) if wanted is not None else _newest(logs)
    main.chosen = True
    grown = True
    while grown and main.first_ms is not None:
        chosen = [log for log in logs if log.chosen]
        first, last = min(log.first_ms for log in chosen), max(log.last_ms for log in chosen)
        near = [
            log
            for log in logs
            if not log.chosen
            and log.first_ms is not None
            and log.first_ms - last <= _SAME_FLIGHT_MS
            and first - log.last_ms <= _SAME_FLIGHT_MS
        ]
        for log in near:
            log.chosen = True
        grown = bool(near)
    left_out = [log for log in logs if not log.chosen]
    if not left_out:
        return []
    names = ", ".join(f"{label(log)} with {log.frames} frames" for log in left_out)
    return [
        f"the tables hold {label(main)}; another log is there too and was left out: {names}"
        if len(left_out) == 1
        else f"the tables hold {label(main)}; {len(left_out)} other logs were left out: {names}"
    ]


def label(log):
    """A log by its file's name where that is known."""
    return f"{log.file} (log {log.log_id})" if log.file else f"log {log.log_id}"


def _newest(logs):
    enough = _SUBSTANCE * max(log.frames for log in logs)
    return max((log for log in logs if log.frames >= enough), key=LogSummary.newness)


def _named(logs, wanted):
    for log in logs:
        if str(wanted) == str(log.log_id) or (log.file and str(wanted).upper() == log.file.upper()):
            return log
    known = ", ".join(label(log) for log in logs)
    raise InputError(f"log {wanted}: not in this source; it holds {known}")

"""Which logs of a source are the flight: a used card holds older ones, and one folder is for one flight.

The newest log is taken, but not one so small that it can only be a power-up on the table afterwards. Other logs join it
if the board linked them (`continues`), or if they were written within a few hours of it (a log that filled up): not at
the same time, and not by another board. A log that only the second copy in flash has goes behind those of the card, and
joins only if it is surely of the same board. The rest is named in integrity.json, and `log=` decodes it.
"""

import re
from dataclasses import dataclass, field

from ground.errors import InputError

_SUBSTANCE = 0.02  # of the frames of the largest log
_SAME_FLIGHT_MS = 3 * 3600 * 1000
_OVERLAP_MS = 60_000  # a board writes one log at a time; so much may be its clock


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
    board: str | None = None  # its id, where a boot record says it
    on_card: bool = True  # False: only the second copy has it
    continues: set = field(default_factory=set)  # ids of logs before it, of the same flight

    def newness(self):
        """Sorts older logs before newer ones: by file number, by time, by the board's boot counter."""
        digits = re.search(r"\d{6}", self.file or "")
        return (self.on_card, int(digits.group()) if digits else -1, self.first_ms or 0, max(self.boots, default=0))

    def is_linked(self, other):
        """Whether the board said that both are of one flight."""
        return other.log_id in self.continues or self.log_id in other.continues

    def may_join(self, other):
        """Whether their time and their board leave no doubt that both are of one flight."""
        if self.board and other.board and self.board != other.board:
            return False
        if not (self.on_card and other.on_card) and not (self.board and other.board):
            return False
        if self.first_ms is None or other.first_ms is None:
            return False
        apart = max(self.first_ms, other.first_ms) - min(self.last_ms, other.last_ms)
        return -_OVERLAP_MS <= apart <= _SAME_FLIGHT_MS


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
    while grown:
        chosen = [log for log in logs if log.chosen]
        more = [log for log in logs if not log.chosen and _belongs(log, chosen)]
        for log in more[:1]:  # one by one: each may shut out another
            log.chosen = True
        grown = bool(more)
    left_out = [log for log in logs if not log.chosen]
    if not left_out:
        return []
    names = ", ".join(
        f"{label(log)} with {log.frames:,} records{'' if log.on_card else ', in the board’s flash'}" for log in left_out
    )
    return [
        f"the tables hold {label(main)}; another log is there too and was left out: {names}; "
        f"--log {left_out[0].log_id} takes that one"
        if len(left_out) == 1
        else f"the tables hold {label(main)}; {len(left_out)} other logs were left out: {names}; "
        "--log and the number of one takes that one"
    ]


def _belongs(log, chosen):
    if any(log.is_linked(one) for one in chosen):
        return True
    near = [one for one in chosen if log.may_join(one)]
    return bool(near) and not any(_overlap(log, one) for one in chosen)


def _overlap(log, other):
    return (
        other.first_ms is not None and min(log.last_ms, other.last_ms) - max(log.first_ms, other.first_ms) > _OVERLAP_MS
    )


def label(log):
    """A log by its file's name where that is known."""
    return f"{log.file} (log {log.log_id})" if log.file else f"log {log.log_id}"


def _newest(logs):
    enough = _SUBSTANCE * max(log.frames for log in logs)
    return max((log for log in logs if log.frames >= enough), key=LogSummary.newness)


def _named(logs, wanted):
    name = str(wanted).upper().removesuffix(".LOG")
    for log in logs:
        if name == str(log.log_id) or (log.file and name == log.file.upper().removesuffix(".LOG")):
            return log
    known = ", ".join(label(log) for log in logs)
    raise InputError(f"log {wanted}: not in this source; it holds {known}")

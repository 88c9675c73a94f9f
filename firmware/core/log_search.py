"""Where a log ends, found from its own sectors: the directory only knows the size it was created with.

A log's written sectors rise from 0 with a few holes in them (a sector skipped by a resume, sectors that the card
refused), and behind the end lies whatever the card held before. A place counts as written if it or one of the next
HOLE_MAX places holds an intact header of this log with its own number; the logbook never leaves a longer hole.

The search goes forward in doubling steps and then, eight steps at a time, inside the stretch that is left. Forward,
because FAT finds a later place by going on along the chain of clusters, and starts over for an earlier one.
"""

from shared_protocol.compat import const
from shared_protocol.frame import FORMAT_VERSION, KIND_TEXT, SECTOR_SIZE, decode_header, decode_text_sector

HOLE_MAX = const(7)  # longest run of places without an intact sector inside a log
LAST_LINE = "end of text"  # of the text in a log's first sectors (shared_protocol/layout.py)

_STEPS = const(8)
_READ_ERRORS_MAX = const(20)  # in one search: the card is gone, not just hurt


class LogEnd:
    """What the last intact sector of a log says.

    `usable` is False for a file that is no log of this format or never got its whole text; the rest means nothing then.
    """

    def __init__(self):
        self.usable = False
        self.log_id = 0
        self.last = 0  # number of the last intact sector
        self.boot = 0  # that wrote it: the highest in the log
        self.flags = 0  # of its header
        self.reads = 0  # sectors read to find all this


class LogSearch:
    """One search through a log file, opened for reading: a file open for writing grows when one seeks past its end.

    Raises OSError only if the card as a whole fails.
    """

    def __init__(self, storage, name: str, feed):
        self._storage = storage
        self._name = name
        self.total = storage.size(name) // SECTOR_SIZE
        self._file = storage.open(name, "rb")
        self._feed = feed  # the watchdog's: a slow card may take seconds
        self._sector = bytearray(SECTOR_SIZE)
        self._kind = KIND_TEXT  # of the last intact sector
        self._errors = 0
        self._end = LogEnd()

    def run(self) -> LogEnd:
        """Find the end, and close the file."""
        try:
            self._find()
        finally:
            self._file.close()
        return self._end

    def _find(self):
        end = self._end
        for place in range(HOLE_MAX + 1):  # the very first sector may be hurt, and the log behind it good
            header = self._read(place)
            if header is not None and header[2] == place:
                break
        else:
            return
        if header[3] != FORMAT_VERSION:
            return
        end.log_id = header[0]
        self._note(place, header)
        bound = self._gallop()
        while bound - end.last > _STEPS:
            bound = self._walk((bound - end.last) // _STEPS, bound)
        for place in range(end.last + 1, bound):
            self._probe_one(place)
        # Nothing but text, and not even all of it: nothing was ever logged here.
        end.usable = self._kind != KIND_TEXT or self._ends_text(end.last)

    def _gallop(self):
        """Go on in doubling steps; a place behind the end."""
        step = 1
        while self._end.last + step < self.total:
            place = self._end.last + step
            if not self._probe(place):
                return place
            step *= 2
        return self.total

    def _walk(self, step, bound):
        """Go on in equal steps below `bound`; the new bound."""
        place = self._end.last + step
        while place < bound:
            if not self._probe(place):
                return place
            place = self._end.last + step
        return bound

    def _probe(self, place):
        """True, and the end moved on, if the log has an intact sector at `place` or within HOLE_MAX behind it."""
        for at in range(place, min(place + HOLE_MAX + 1, self.total)):
            if self._probe_one(at):
                return True
        return False

    def _probe_one(self, place):
        header = self._read(place)
        if header is None or header[0] != self._end.log_id or header[2] != place:
            return False
        self._note(place, header)
        return True

    def _note(self, place, header):
        end = self._end
        end.last = place
        end.boot = header[1]
        self._kind = header[4]
        end.flags = header[5]

    def _ends_text(self, place):
        self._read(place)
        text = decode_text_sector(self._sector)
        return text is not None and text.endswith(LAST_LINE)

    def _read(self, place):
        """The header at a place, or None."""
        self._feed()
        self._end.reads += 1
        try:
            self._file.seek(place * SECTOR_SIZE)
            if self._file.readinto(self._sector) != SECTOR_SIZE:
                return None
        except OSError:
            self._errors += 1
            if self._errors > _READ_ERRORS_MAX:
                raise
            self._reopen()
            return None
        return decode_header(self._sector)

    def _reopen(self):
        """After an error FAT does not know where in the chain of clusters it is."""
        try:
            self._file.close()
        except OSError:
            pass
        self._file = self._storage.open(self._name, "rb")

"""A recorded receiver stream in place of the virtual receiver: bytes unchanged, one epoch a second.

Where an epoch ends is decided before the flight (ground/simulator/gnss_stream.py); here its bytes go out on the line,
at the line's own rate, and whatever the firmware says falls on deaf ears. The recording begins three seconds after
the firmware has first looked for bytes, so none is lost to its start, and ends the flight a little after its last
byte. Once begun it runs in world time: a reset of the board neither stops nor rewinds it, and what was played while
the board was off is gone, as with a real receiver.
"""

from ground.simulator.board.clock import EndOfWorld

_WAIT_S = 3  # from the firmware's first look at the port to the first byte


class RecordedStream:
    """Plays a file.

    Parameters
    ----------
    path : str
        The recording.
    ends : list of int
        Offset in the file at which each epoch ends; the last is the file's size.
    offsets_us : list of int
        When each epoch's first byte goes out, after that of the first epoch. [us]
    duration_us, tail_us : int
        From the first byte until the last is out; and from there to the end of the flight. [us]
    """

    name = "gnss"

    def __init__(self, clock, line, path, ends, offsets_us, duration_us, tail_us, baud):
        self._clock = clock
        self._line = line
        self._file = open(path, "rb")
        self._ends = ends
        self._offsets_us = offsets_us
        self._length_us = duration_us + tail_us
        self._index = 0
        self._start_us = None
        self.muted = False
        line.baud = baud

    def hear(self, data, start_us, baud):
        """A recording does not listen."""

    def port_opened(self, now_us):
        """An open port is not yet a listening firmware: it may first spend seconds on the card."""
        if self._start_us is not None:
            self.pump(now_us)

    def pump(self, now_us):
        if self._start_us is None:
            self._begin((now_us // 1000000 + _WAIT_S) * 1000000)
        while self._index < len(self._ends) and self._start_us + self._offsets_us[self._index] <= now_us:
            data = self._file.read(self._ends[self._index] - (self._ends[self._index - 1] if self._index else 0))
            if not self.muted:
                self._line.say(data, self._start_us + self._offsets_us[self._index])
            self._index += 1

    def restart(self, off_us=0, cold=False):
        """A recording has no supply that could dip."""

    def save(self):
        return {"start_us": self._start_us}

    def restore(self, state):
        """Go on where the recording is by now; what was said while the board was off is gone."""
        if state["start_us"] is None:
            return
        self._begin(state["start_us"])
        while self._index < len(self._ends) and self._start_us + self._offsets_us[self._index] < self._clock.now_us:
            self._index += 1
        self._file.seek(self._ends[self._index - 1] if self._index else 0)

    restore_cold = restore

    def specimen(self):
        return {"chip": "gnss", "name": self.name, "generation": "recorded"}

    def _begin(self, start_us):
        self._start_us = start_us
        self._clock.at(start_us + self._length_us, lambda: self._clock.end(EndOfWorld("the recording is over")))

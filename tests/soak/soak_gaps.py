"""Gaps in what a soak left on card and flash, and what explains each: a fault of the part, or an event that names it.

A fault explains no more than the time that it lasts and a while after it. A gap that goes on for longer needs an event
at its beginning or its end.
"""

from dataclasses import dataclass

import numpy as np

from ground.decode.frames.records import read
from ground.decode.frames.wire import KIND_OF_NAME, SECTOR_SIZE, frame_dtypes
from ground.decode.salvage.sources import open_source
from shared_protocol import events
from shared_protocol.frame import PHASE_MASK, PHASE_SHIFT
from shared_protocol.records import HEADER

_POWER_UP_S = 60.0  # the receiver's first fix
_RECOVERY_S = 20.0  # a lost chip is tried again every 8 s at most, the receiver needs a fix
_NEAR_S = 3.0
_SAID_WITHIN_S = 60.0
_RING_S = 15.0  # what waits in memory: six sectors, of which a landed box keeps one open for nine seconds
_SLOW_CARD_S = 13.0  # that event is said once in ten seconds
_OPEN_S = 1.5  # what the last second measured is still in memory when the world ends
_TIMES = 5  # so many periods without a reading are a gap
_STEADY = {events.SOUNDER_ON, events.SELF_TEST, events.GNSS_IDENTIFIED, events.CHIP_IDENTIFIED, events.CHIP_PRESENT}


@dataclass(frozen=True)
class Stream:
    """Readings of one part: where they are, how often they come, which faults and events can explain their absence."""

    name: str
    record: str
    unit: tuple  # (column, value), or ()
    period_ms: int
    parts: tuple  # of faults: chips that share its bus, for a bus can be held by any of them
    sources: tuple  # of events
    written_after: int = 0  # periods from the time that a reading carries to its record


STREAMS = (
    Stream("pressure", "pressure", (), 100, ("pressure", "panel"), (events.BAROMETER, events.BUS)),
    Stream("panel", "power", (), 200, ("panel", "pressure"), (events.POWER_METER, events.BUS)),
    Stream("outside", "temperature", ("probe", 0), 1000, ("outside", "inside"), (events.THERMOMETER, events.BUS), 1),
    Stream("inside", "temperature", ("probe", 1), 1000, ("inside", "outside"), (events.THERMOMETER, events.BUS), 1),
    Stream("battery", "health", (), 5000, ("battery",), (events.BATTERY,)),
    Stream("gnss", "fix", (), 1000, ("gnss",), (events.GNSS,)),
)
_EVERYBODY = (events.CARD, events.SYSTEM)


@dataclass(frozen=True)
class Gap:
    """A stretch of world time without a reading [s], what explains it ("" for nothing), and whether the log does."""

    stream: str
    begin_s: float
    end_s: float
    reason: str
    is_told: bool  # an event of that part stands beside it, so that somebody without a list of the faults knows


class Recording:
    """Every frame on the card and in the flash, on world time. `result` is the FlightResult."""

    def __init__(self, result):
        places = [result.card_image] + ([result.flash_image] if result.flash_image else [])
        found = read([buffer for place in places for buffer in open_source(place).buffers])
        self._rows, self._keys, self._pairs = found.rows, found.row_keys, found.keys.pairs
        self._starts_s = np.array([boot["start_us"] / 1e6 for boot in result.boots])
        self.logs = sorted({log_id for log_id, _ in self._pairs})
        self.frames = sum(map(len, found.rows))
        self.events = self._events()
        self.phases = self._phases(found.pieces)

    def times(self, record, unit=()):
        """World time of each frame of a kind. [s]"""
        kind = KIND_OF_NAME[record]
        rows, boots = self._rows[kind], self._boots(kind)
        if unit:
            chosen = rows[unit[0]] == unit[1]
            rows, boots = rows[chosen], boots[chosen]
        return np.sort(self._starts_s[boots - 1] + rows["_t_ms"] / 1000 + _RESET_S)

    def _phases(self, pieces):
        """(time, phase) where it changes from one sector's header to the next: the event may have been in flash."""
        layout, told = frame_dtypes()[HEADER], []
        for piece in pieces:
            owned = np.flatnonzero(piece.blocks.owner >= 0)
            raw = piece.blocks.data.reshape(-1, SECTOR_SIZE)[owned, : layout.itemsize]
            rows = np.ascontiguousarray(raw).view(layout)[:, 0]
            boots = np.array([boot for _, boot in self._pairs], dtype=np.int64)[piece.blocks.owner[owned]]
            at_s = self._starts_s[boots - 1] + rows["_t_ms"] / 1000 + _RESET_S
            told.append(np.stack([at_s, rows["flags"] >> PHASE_SHIFT & PHASE_MASK]))
        at_s, phase = np.concatenate(told, axis=1)[:, np.argsort(np.concatenate(told, axis=1)[0], kind="stable")]
        changed = np.flatnonzero(np.diff(phase, prepend=-1))
        return [(float(at_s[index]), int(phase[index])) for index in changed]

    def _boots(self, kind):
        return np.array([boot for _, boot in self._pairs], dtype=np.int64)[self._keys[kind]]

    def _events(self):
        kind = KIND_OF_NAME["event"]
        rows = self._rows[kind]
        at_s = self._starts_s[self._boots(kind) - 1] + rows["_t_ms"] / 1000 + _RESET_S
        order = np.argsort(at_s, kind="stable")
        names = ("code", "source", "unit", "a", "b")
        return [(at, *map(int, row)) for at, *row in zip(at_s[order], *(rows[n][order] for n in names), strict=True)]


_RESET_S = 0.25  # the firmware counts from its first line


def gaps(recording, faults, result, factor):
    """Every gap of every stream, with its reason; `factor` is the landed box's."""
    end_s = result.duration_s
    cuts = [(boot["start_us"] / 1e6) for boot in result.boots[1:]]
    spans = [_span(fault, end_s) for fault in faults if "at_us" in fault]
    announced = [(at, a) for at, code, _s, _u, a, _b in recording.events if code == events.PHASE]
    phases = sorted([*announced, *recording.phases])
    away = _card_away(recording.events, cuts, end_s)
    found = []
    for stream in STREAMS:
        times = recording.times(stream.record, stream.unit)
        last_s = max(end_s - _OPEN_S, times[-1]) if len(times) else end_s
        times = np.concatenate([[0.0], times, [last_s]])
        longest_s = stream.period_ms / 1000 * _TIMES
        for index in np.flatnonzero(np.diff(times) > longest_s):
            begin, end = float(times[index]), float(times[index + 1])
            is_landed = _was_landed(phases, begin, end)
            if is_landed and end - begin <= longest_s * factor:
                continue
            period_s = stream.period_ms / 1000 * (factor if is_landed else 1)
            told = _told(stream, begin, end, recording.events)
            if not told and any(lost <= begin + period_s and end <= back for lost, back in away):
                told = events.CARD_LOST
            reason = _reason(stream, begin, end, period_s, spans, cuts, told)
            found.append(Gap(stream.name, begin, end, reason, bool(told)))
    return found


def accounted_s(faults, result, name):
    """How many seconds of the readings of a stream faults and restarts can have cost at most, recovery included."""
    (stream,) = [stream for stream in STREAMS if stream.name == name]
    end_s = result.duration_s
    spans = [_span(fault, end_s) for fault in faults if "at_us" in fault]
    hurt = np.zeros(round(end_s) + 1, dtype=bool)
    for first, last, chip, kind in spans:
        if _befalls(stream, chip, kind):
            hurt[int(first) : round(last)] = True
    for boot in result.boots:
        hurt[max(0, int(boot["start_us"] / 1e6 - _RING_S)) : round(boot["start_us"] / 1e6 + _RECOVERY_S)] = True
    return int(hurt.sum())


def _card_away(said, cuts, end_s):
    """Stretches in which the card was lost, as the events say when it was and when it answered again."""
    stretches, ends = [], np.array([*cuts, end_s])
    for at, code, _source, _unit, a, _b in said:
        if code == events.CARD_LOST:
            stretches.append((at - _RING_S, float(ends[min(np.searchsorted(ends, at), len(cuts))])))
        elif code == events.CARD_BACK:
            stretches = [(lost, min(back, at + _NEAR_S) if lost <= at else back) for lost, back in stretches]
            stretches.append((at - a - _RING_S, at + _NEAR_S))
    return stretches


def _was_landed(phases, begin, end):
    """Whether the landed box's pauses hold; also from a reading on with which it takes off: it has set the next."""
    phase, near = events.PHASE_GROUND, False
    for at, value in phases:
        if at < begin:
            phase = value
        near |= begin - 12.0 <= at <= end + 12.0 and value == events.PHASE_LANDED
    return phase == events.PHASE_LANDED or near


def _span(fault, end_s):
    begin = fault["at_us"] / 1e6
    return begin, min(begin + fault.get("for_us", 0) / 1e6 + _RECOVERY_S, end_s), fault.get("chip"), fault["kind"]


def _told(stream, begin, end, said):
    """The first event of that part where the gap begins or ends, or 0."""
    for at, code, source, *_ in said:
        if source not in (*stream.sources, *_EVERYBODY) or code in _STEADY:
            continue
        before_s = _SLOW_CARD_S if code == events.CARD_SLOW else _NEAR_S
        if (begin - before_s <= at <= begin + _SAID_WITHIN_S and at <= end + _NEAR_S) or abs(at - end) <= _NEAR_S:
            return code
    return 0


def _reason(stream, begin, end, period_s, spans, cuts, told):
    """What explains a gap; `begin` is the last reading before it, and a period later the first one is missing.

    A thermometer's is when its conversion began; it is read a period later, and a fault may befall it then.
    """
    if begin == 0.0 and end <= _POWER_UP_S:
        return "power-up"
    for at in cuts:
        if begin - 1.0 <= at <= end + 1.0 and end <= at + _RECOVERY_S:
            return "restart"
    for first, last, chip, kind in spans:
        before_s = _RING_S if chip is None else _NEAR_S
        missing_s = begin + period_s * (1 + stream.written_after)
        if _befalls(stream, chip, kind) and first - before_s <= missing_s and end <= last:
            return kind
    return f"event {told}" if told else ""


def _befalls(stream, chip, kind):
    """Whether a fault can keep this stream's readings away."""
    if chip is not None:
        return chip in stream.parts
    return kind.startswith(("card", "power")) or (kind.startswith("receiver") and "gnss" in stream.parts)

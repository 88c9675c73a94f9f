"""Messages out of a receiver's byte stream, NMEA 0183 and UBX mixed, without allocation and without losing its place.

Theory of operation. Received bytes wait in one linear buffer. next() looks at the first place where a message could
begin ("$" or B5 62) and answers with a message, or "wait for more", or moves on by a byte or two and looks again. A
message is used where it lies; nothing is copied out of it. Two rules follow:

1. Nothing is swallowed on trust. A message that turns out broken gives up its first byte only, and the search goes on
   inside it: a lost byte or a false length costs that message and no other.
2. Nothing waits for ever. A message that does not go on for SILENCE_MS is given up like a broken one.

A binary message that we have no use for is not read either, only remembered: should a complete message of ours appear
inside its span, its own check sum decides whether that was part of its payload.

Sources: NMEA 0183 (sentence form, "*hh" exclusive-or check sum); u-blox interface descriptions, "UBX frame structure"
and "UBX checksum" (8-bit Fletcher over class, id, length and payload).
"""

from shared_protocol.compat import const

NONE = const(0)
RMC = const(1)
GGA = const(2)
GSA = const(3)
ZDA = const(4)
TXT = const(5)
PVT = const(6)
SOL = const(7)
TIMEGPS = const(8)
ACK = const(9)
NAV5 = const(10)
VALGET = const(11)
VERSION = const(12)

SILENCE_MS = const(400)  # a line quiet for this long has finished its burst
BURST_GAP_MS = const(150)  # and after this long, the next byte begins one

_WAIT = const(-1)
_SKIP = const(-2)

_SENTENCE_MAX = const(120)  # NMEA 0183 says 82; high-precision GGA and long TXT go beyond
_OTHER_MAX = const(1100)  # longest binary message of no use to us that is believed; longer ones are searched through
_BUFFER = const(1536)

_SENTENCES = {0x524D43: RMC, 0x474741: GGA, 0x475341: GSA, 0x5A4441: ZDA, 0x545854: TXT}
_FRAMES = {
    0x0107: PVT,
    0x0106: SOL,
    0x0120: TIMEGPS,
    0x0500: ACK,
    0x0501: ACK,
    0x0624: NAV5,
    0x068B: VALGET,
    0x0A04: VERSION,
}


def _has_our_size(kind: int, size: int) -> bool:
    """True if `size` is a payload length that this kind of message can have; everything else is "of no use to us"."""
    if kind == PVT:
        return size == 92 or size == 84  # 84: protocol 14, from memory
    if kind == ACK:
        return size == 2
    if kind == SOL:
        return size == 52
    if kind == TIMEGPS:
        return size == 16
    if kind == NAV5:
        return size == 36
    if kind == VALGET:
        return size == 9  # version, layer, position, one key, one byte of value
    return size >= 40 and size <= 640 and (size - 40) % 30 == 0  # MON-VER: 30 + 10 characters, then lines of 30


def _hex_digit(character: int) -> int:
    if 48 <= character <= 57:
        return character - 48
    if 65 <= character <= 70:
        return character - 55
    if 97 <= character <= 102:
        return character - 87
    return -1


class GnssParser:
    """feed() bytes, then call next() until NONE; done() consumes the message that next() has found.

    Of the message found: `begin` is the index of "$" or B5 in `buf`, `stop` that of "*" or of the first check sum byte,
    `ms` when its first byte came. It stays valid until done() or feed().
    """

    def __init__(self):
        self.buf = bytearray(_BUFFER)
        self.begin = 0
        self.stop = 0
        self.ms = 0
        self.good = 0  # messages with a right check sum
        self.bad = 0  # messages with a wrong one
        self.byte_us = 0  # time one byte takes on the line; 0: not known, bytes count as just come
        self.burst_ms = 0  # when the first byte after a silence came
        self.burst_is_new = False  # whoever uses burst_ms takes this back
        self._find = self.buf.find
        self._start = 0  # first byte not yet judged
        self._end = 0  # behind the last byte received
        self._after = 0  # where the search goes on behind the present message
        self._other = 0  # span of the last binary message of no use to us
        self._other_stop = 0
        self._quiet = False  # the line is silent: give up what is incomplete
        self._chunk = 0  # where the bytes of the last feed() begin, and when the first of them came
        self._chunk_ms = 0
        self._held_ms = 0  # when the byte at _start came, if it came before that
        self._last_ms = -SILENCE_MS  # last time a byte was there
        self._polled_ms = 0  # last call of feed() or idle()

    def feed(self, data, count: int, now_ms: int) -> None:
        """Take in the first `count` bytes of `data`, 0 to 256; received just now, at the latest."""
        if count == 0:
            return
        if self._start >= self._end and self._other_stop <= self._end:
            self._start = self._end = self._chunk = self._other_stop = 0
        else:
            self._held_ms = self._ms_at(self._start)
            if self._end + count > _BUFFER:
                self._make_room(count)
        age_ms = count * self.byte_us // 1000
        if age_ms > now_ms - self._polled_ms:
            age_ms = now_ms - self._polled_ms
        self._chunk = end = self._end
        self._chunk_ms = now_ms - age_ms
        if self._chunk_ms - self._last_ms >= BURST_GAP_MS:
            self.burst_ms = self._chunk_ms
            self.burst_is_new = True
        self._last_ms = self._polled_ms = now_ms
        self._quiet = False
        buf = self.buf
        for i in range(count):
            buf[end + i] = data[i]
        self._end = end + count

    def idle(self, now_ms: int) -> bool:
        """Nothing came until now; True once the line has been silent for SILENCE_MS. Call next() then, too."""
        self._polled_ms = now_ms
        self._quiet = now_ms - self._last_ms >= SILENCE_MS
        return self._quiet

    def next(self) -> int:
        """Kind of the next complete message, or NONE until more bytes come. The same one again until done()."""
        buf = self.buf
        place = self._start
        end = self._end
        while place < end:
            first = buf[place]
            if first == 0x24:  # "$"
                kind = self._sentence(place, end)
            elif first == 0xB5:
                kind = self._frame(place, end)
            else:
                find = self._find
                text = find(b"$", place, end)
                binary = find(b"\xb5", place, end)
                if text < 0:
                    text = end
                place = text if binary < 0 or text < binary else binary
                continue
            if kind > 0 and place < self._other_stop:
                kind = self._judge_other(kind, end)
            if kind > 0:
                self._start = self.begin = place
                self.ms = self._ms_at(place)
                return kind
            if kind == _WAIT:
                if not self._quiet:
                    break
                self._after = place + 1
            place = self._after
        self._start = place
        return NONE

    def done(self) -> None:
        """Consume the message that next() has found."""
        self._start = self._after
        self.good += 1

    def _sentence(self, place: int, end: int) -> int:
        """Judge the sentence that may begin at `place`: a kind, _WAIT, or _SKIP with `_after` set."""
        buf = self.buf
        self._after = place + 1
        if end - place < 7:
            return _WAIT
        kind = _SENTENCES.get(buf[place + 3] << 16 | buf[place + 4] << 8 | buf[place + 5], NONE)
        if kind == NONE or buf[place + 6] != 44 or buf[place + 1] == 80:  # ","; "P" begins a maker's own sentence
            return _SKIP
        find = self._find
        limit = place + _SENTENCE_MAX
        if limit > end:
            limit = end
        star = find(b"*", place + 7, limit)
        inside = limit if star < 0 else star
        if find(b"\n", place + 7, inside) >= 0 or find(b"$", place + 7, inside) >= 0:
            return _SKIP  # it ended without a check sum, or another one began
        if star < 0:
            return _WAIT if limit == end and find(b"\xb5b", place + 7, end) < 0 else _SKIP
        if star + 3 > end:
            return _WAIT
        check = 0
        bits = 0
        for i in range(place + 1, star):
            character = buf[i]
            check ^= character
            bits |= character
        if bits > 127:
            return _SKIP  # not text: broken, or binary began inside
        if check != _hex_digit(buf[star + 1]) << 4 | _hex_digit(buf[star + 2]):
            self.bad += 1
            return _SKIP
        self.stop = star
        self._after = star + 3
        return kind

    def _frame(self, place: int, end: int) -> int:
        """Judge the binary message that may begin at `place`: a kind, _WAIT, or _SKIP with `_after` set."""
        buf = self.buf
        self._after = place + 1
        if end - place < 6:
            return _SKIP if end - place > 1 and buf[place + 1] != 0x62 else _WAIT
        if buf[place + 1] != 0x62:
            return _SKIP
        size = buf[place + 4] | buf[place + 5] << 8
        stop = place + 6 + size
        kind = _FRAMES.get(buf[place + 2] << 8 | buf[place + 3], NONE)
        if kind == NONE or not _has_our_size(kind, size):
            if size <= _OTHER_MAX and place >= self._other_stop:
                self._other = place
                self._other_stop = stop + 2
            return _SKIP
        if stop + 2 > end:
            return _WAIT
        if not self._fletcher_holds(place, stop):
            self.bad += 1
            return _SKIP
        self.stop = stop
        self._after = stop + 2
        return kind

    def _judge_other(self, kind: int, end: int) -> int:
        """A message of ours lies inside the span of another one: is that span real?"""
        stop = self._other_stop
        if stop > end and not self._quiet:
            return _WAIT
        self._other_stop = 0
        if stop > end or not self._fletcher_holds(self._other, stop - 2):
            return kind
        self._after = stop
        return _SKIP

    def _fletcher_holds(self, place: int, stop: int) -> bool:
        buf = self.buf
        a = 0
        b = 0
        for i in range(place + 2, stop):
            a += buf[i]
            b += a
        return a & 0xFF == buf[stop] and b & 0xFF == buf[stop + 1]  # at most 3e5 and 2e8: small integers

    def _ms_at(self, place: int) -> int:
        if place < self._chunk:
            return self._held_ms
        return self._chunk_ms + (place - self._chunk) * self.byte_us // 1000

    def _make_room(self, count: int) -> None:
        """Move what is still wanted to the front; if that is not enough, what waited is lost and counted."""
        first = self._other if self._other_stop > self._start else self._start
        if self._end - first + count > _BUFFER:
            first = self._start
            self._other_stop = 0
        if self._end - first + count > _BUFFER:
            self.bad += 1
            first = self._start = self._end
        buf = self.buf
        for i in range(self._end - first):
            buf[i] = buf[first + i]
        self._start -= first
        self._end -= first
        self._other -= first
        self._other_stop = max(self._other_stop - first, 0)

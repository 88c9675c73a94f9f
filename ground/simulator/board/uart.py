"""machine.UART: bytes that take their time on the line, and a receive buffer that overflows like the real one.

A partner (the receiver, a played-back recording) hangs on the pins. It puts chunks on its line with the moment at
which each starts; a byte has arrived when its ten bits have. What the firmware does not fetch piles up in `rxbuf` and
then in the 32 bytes of the hardware FIFO; after that new bytes are lost, as on the RP2040.
"""

from ground.simulator.board.noise import name_hash
from ground.simulator.board.pins import pin_number

_FIFO_BYTES = 32
_RATE_TOLERANCE_PCT = 4  # beyond it a frame's last bit is sampled in its neighbour
_CALL_US = 20


class SilentPartner:
    """Nothing is wired to the pins."""

    def port_opened(self, now_us):
        """The firmware has made its end of the line."""

    def pump(self, now_us):
        """Put on the line whatever is due by now."""

    def hear(self, data, start_us, baud):
        """Bytes from the firmware; the first begins at start_us."""


class Line:
    """One direction of a serial line: what a partner says, byte by byte in time."""

    def __init__(self, baud):
        self.baud = baud
        self.free_us = 0  # when the last byte said so far has gone out
        self.hurt = None  # bench door: function(data) -> what arrives of it
        self._chunks = []  # [data, start_us, byte_ns, next byte not yet taken]

    def say(self, data, ready_us):
        """Queue data; it goes out at ready_us or when the line is free. Gives the moment the last byte is out."""
        start_us = ready_us if ready_us > self.free_us else self.free_us
        byte_ns = 10000000000 // self.baud
        self._chunks.append([data, start_us, byte_ns, 0, self.baud])
        self.free_us = start_us + len(data) * byte_ns // 1000
        return self.free_us

    def cut(self, now_us):
        """The partner lost its supply: what is not yet out never comes."""
        for chunk in self._chunks:
            out = (now_us - chunk[1]) * 1000 // chunk[2]
            if out < len(chunk[0]):
                chunk[0] = chunk[0][:out if out > chunk[3] else chunk[3]]
        self.free_us = now_us

    def take(self, now_us):
        """List of (bytes, baud) that have arrived since the last call."""
        taken = []
        while self._chunks:
            chunk = self._chunks[0]
            data, start_us, byte_ns, done, baud = chunk
            arrived = (now_us - start_us) * 1000 // byte_ns
            if arrived >= len(data):
                taken.append((data if done == 0 else data[done:], baud))
                self._chunks.pop(0)
                continue
            if arrived > done:
                taken.append((data[done:arrived], baud))
                chunk[3] = arrived
            break
        return taken


class UART:
    """The calls of machine.UART that the contract names."""

    INV_TX, INV_RX = 1, 2

    clock = None  # set by the board before the firmware starts
    ledger = None
    partners_by_pins: dict = {}  # (tx, rx) of the board -> (partner, Line from it)

    def __init__(self, uart_id, baudrate=115200, tx=None, rx=None, rxbuf=256, txbuf=256, timeout=0, bits=8,
                 parity=None, stop=1, timeout_char=0, invert=0, flow=0):
        key = (pin_number(tx), pin_number(rx))
        self._partner, self._line = self.partners_by_pins.get(key) or (SilentPartner(), Line(9600))
        self._clock = self.clock
        self._advance = self.clock.advance
        self._rxbuf = rxbuf if rxbuf > 32 else 32
        self._txbuf = txbuf + _FIFO_BYTES
        self._timeout_us = timeout * 1000
        self._baud = baudrate
        self._tx_free_us = 0
        self._waiting = bytearray(self._rxbuf + _FIFO_BYTES)
        self._waiting_count = 0
        self._partner.port_opened(self._clock.now_us)
        self._line.take(self._clock.now_us)  # what was said before the port was opened, nobody heard

    def init(self, baudrate=None, rxbuf=None, **ignored):
        """A new rate; bytes already received stay, as on the RP2040 unless the buffer changes size."""
        self._fetch()
        if baudrate is not None:
            self._baud = baudrate
        if rxbuf is not None and rxbuf != self._rxbuf:
            self._rxbuf = rxbuf
            self._waiting = bytearray(rxbuf + _FIFO_BYTES)
            self._waiting_count = 0

    def deinit(self):
        self._waiting_count = 0

    def any(self):
        self._fetch()
        count = self._waiting_count
        return count if count < self._rxbuf else self._rxbuf

    def readinto(self, buf, length=None):
        """Bytes received, at most `length`; None when there are none within the time-out."""
        self._fetch()
        if self._waiting_count == 0 and self._timeout_us:
            self._advance(self._timeout_us)
            self._fetch()
        count = len(buf) if length is None or length > len(buf) else length
        if count > self._waiting_count:
            count = self._waiting_count
        if count == 0:
            return None
        buf[:count] = memoryview(self._waiting)[:count]
        left = self._waiting_count - count
        if left:
            self._waiting[:left] = self._waiting[count:self._waiting_count]
        self._waiting_count = left
        return count

    def read(self, length=None):
        buf = bytearray(self.any() if length is None else length)
        count = self.readinto(buf)
        return None if count is None else bytes(buf[:count])

    def readline(self):
        self._fetch()
        end = bytes(self._waiting[:self._waiting_count]).find(b"\n")
        return self.read(end + 1) if end >= 0 else self.read()

    def write(self, data):
        """Queue bytes for the partner; blocks only while more than a transmit buffer is still to go out."""
        self._advance(_CALL_US)
        now_us = self._clock.now_us
        byte_ns = 10000000000 // self._baud
        start_us = self._tx_free_us if self._tx_free_us > now_us else now_us
        self._partner.hear(bytes(data), start_us, self._baud)
        self._tx_free_us = start_us + len(data) * byte_ns // 1000
        over_us = self._tx_free_us - self._txbuf * byte_ns // 1000 - now_us
        if over_us > 0:
            self._advance(over_us)
        return len(data)

    def txdone(self):
        return self._clock.now_us >= self._tx_free_us

    def flush(self):
        wait_us = self._tx_free_us - self._clock.now_us
        if wait_us > 0:
            self._advance(wait_us)

    def _fetch(self):
        """Move what has arrived into the buffer; what does not fit is lost and counted."""
        self._advance(_CALL_US)
        now_us = self._clock.now_us
        self._partner.pump(now_us)
        for data, baud in self._line.take(now_us):
            if self._line.hurt is not None:
                data = self._line.hurt(data)
            if abs(baud - self._baud) * 100 > baud * _RATE_TOLERANCE_PCT:
                data = heard_at_wrong_rate(data, baud, self._baud)
            count = self._waiting_count
            room = self._rxbuf + _FIFO_BYTES - count
            if len(data) > room:
                self.ledger.count("uart_bytes_lost", len(data) - room)
                data = data[:room]
            self._waiting[count:count + len(data)] = data
            self._waiting_count = count + len(data)


def heard_at_wrong_rate(data, sent_baud, heard_baud):
    """What a receiver at another rate makes of a chunk: other bytes, about as many as fit its own time.

    Not the bit-exact sampling of each level, but repeatable and of the right kind: no byte survives by intention.
    """
    count = len(data) * heard_baud // sent_baud if heard_baud < sent_baud else len(data)
    state = name_hash("%d/%d/%d" % (len(data), sent_baud, heard_baud)) ^ (data[0] if data else 0)
    garbled = bytearray(count)
    for index in range(count):
        state = (state * 1103515245 + 12345) & 0x7FFFFFFF
        garbled[index] = state >> 16 & 0xFF | (0x80 if heard_baud > sent_baud else 0)
    return bytes(garbled)

"""A GNSS receiver, NMEA and UBX mixed, on a UART shaped like machine.UART with timeout=0.

This file moves bytes and messages between the UART and the cores: gnss_parser (messages), gnss_epoch (rows), gnss_setup
(configuration) and gnss_watch (state). It also looks for the receiver's bit rate when all it hears is rubbish.
"""

from array import array

from firmware.core.gnss_commands import is_model_key
from firmware.core.gnss_doubt import ClockDoubt, PlaceDoubt
from firmware.core.gnss_epoch import EpochBuilder
from firmware.core.gnss_numbers import fixed
from firmware.core.gnss_parser import ACK, NAV5, NONE, PVT, TXT, VALGET, VERSION, ZDA, GnssParser
from firmware.core.gnss_setup import GnssSetup
from firmware.core.gnss_watch import GnssWatch
from shared_protocol import events
from shared_protocol.compat import const
from shared_protocol.records import FIX_NONE, FLAG_JUMP, FLAG_LIMIT

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.buses import Uart

_CHUNK = const(256)
_CHUNKS_MAX = const(4)  # in one poll()
_LOOK_MS = const(100)
_EVENTS = const(8)
_RATES = (9600, 38400, 115200, 57600, 4800)
_RUBBISH_MS = const(10000)  # rubbish alone for so long: look for another bit rate,
_RUBBISH_BYTES = const(50)
_RATE_MS = const(3500)  # stay at each for so long,
_RATES_PAUSE_MS = const(60000)  # and after all of them at the one in the settings for so long
_SILENCE_MS = const(3000)
_QUIET_MS = const(100)  # after the last byte: no burst has a longer pause in it
_QUIET_MS_MAX = const(350)  # with a burst of 150 ms each second the next begins half a second later
_DOUBT_MS = const(60000)  # at most one event of a kind in so long: a receiver gone mad does not fill the log
_OLD_AIRBORNE_M = const(50000)
_NEW_AIRBORNE_M = const(80000)
_NEW_PROTOCOL = const(2700)


class GnssReceiver:
    """Call poll() every 100 ms or oftener; take `fix` when `fix_ready`, `ecef` when `ecef_ready`, the event when
    `event_code` is not 0, and then set fix_ready / ecef_ready to False and event_code to 0.

    What comes meanwhile waits: call poll() again until nothing is ready. `fix` and `ecef` have the fields of the
    records of these names, and `t_ms`, when the first byte of their burst came.
    """

    def __init__(self, uart: "Uart", baud: int = 9600, airborne_model: int = 6):
        self._uart = uart
        self._chunk = bytearray(_CHUNK)
        self._parser = GnssParser()
        self._epoch = EpochBuilder(self._parser)
        self._note_bound = self._note  # bound once: a bound method is an object
        self.setup = GnssSetup(airborne_model, self._note_bound)
        self._watch = GnssWatch()
        self._place = PlaceDoubt()
        self._clock = ClockDoubt()
        self._jump_said_ms = -_DOUBT_MS
        self._step_said_ms = -_DOUBT_MS
        self._said_protocol = -1
        self.fix = self._epoch.fix
        self.fix_ready = False
        self.ecef = self._epoch.ecef
        self.ecef_ready = False
        self.state = events.GNSS_NO_ANSWER
        self.pressure_altitude_m = None  # handed in by the phase task; None: not known
        self.bad = 0  # messages with a wrong check sum
        self.bytes_seen = 0
        self.protocol = 0  # 100 x the UBX protocol version the receiver said, 0: none
        self.version = bytearray(40)  # what it calls its software (30 characters) and hardware (10), zero bytes between
        self.version_ready = False  # set at each answer; for whoever wants to log it
        self.event_code = 0  # events.GNSS_*, 0: none
        self.event_a = 0
        self.event_b = 0
        self._events = array("i", [0] * (3 * _EVENTS))
        self._event_first = 0
        self._event_count = 0
        self._settled = False  # the line is silent and what was gathered has been given
        self._looked_ms = -_LOOK_MS
        self._baud = baud
        self._rates = [baud] + [rate for rate in _RATES if rate != baud]
        self._rate_index = 0
        self._rate_ms = 0  # since when at this rate
        self._rate_pause_ms = _RUBBISH_MS
        self._good_ms = 0
        self._good = 0
        self._good_bytes = 0  # bytes_seen at the last intact message
        self._byte_ms = 0
        self._parser.byte_us = 10000000 // baud

    def poll(self, now_ms: int) -> None:
        """Take in what came and move on. Never waits, raises or allocates; does nothing while a row is not taken."""
        if self.event_code == 0 and self._event_count:
            self._next_event()
        if self.fix_ready or self.ecef_ready:
            return
        epoch = self._epoch
        epoch.fix_ready = False
        epoch.ecef_ready = False
        self._use_messages(now_ms)
        chunks = 0
        while chunks < _CHUNKS_MAX and not epoch.fix_ready and not epoch.ecef_ready:
            count = self._receive(now_ms)
            if count == 0:
                break
            chunks += 1
            self._use_messages(now_ms)
        if chunks == 0 and not self._settled and self._parser.idle(now_ms):
            self._use_messages(now_ms)
            if not epoch.fix_ready and not epoch.ecef_ready:
                epoch.finish()
                self._settled = True
        if epoch.fix_ready:
            self._see_fix(now_ms)
            self.fix_ready = True
        if epoch.ecef_ready:
            if self.ecef.fix_type != FIX_NONE:
                self._watch.see_position(now_ms)
            self.ecef_ready = True
        if now_ms - self._looked_ms >= _LOOK_MS:
            self._looked_ms = now_ms
            self._look(now_ms)

    def is_quiet(self, now_ms: int) -> bool:
        """True right after a burst, when the next one is half a second off, and while nothing comes at all."""
        since_ms = now_ms - self._byte_ms
        return _QUIET_MS <= since_ms <= _QUIET_MS_MAX or since_ms >= _SILENCE_MS

    def _receive(self, now_ms: int) -> int:
        """Move at most one chunk from the UART to the parser."""
        try:
            count = self._uart.any()
            if not count:
                return 0
            # Never more than is there: a read that waits for silence would block for a whole burst.
            count = self._uart.readinto(self._chunk, min(count, _CHUNK))
        except OSError:
            return 0
        if not count:
            return 0
        if now_ms - self._byte_ms >= _SILENCE_MS and self.bytes_seen:
            self.setup.noticed_oddity(now_ms)
        self._byte_ms = now_ms
        self.bytes_seen += count
        self._settled = False
        self._parser.feed(self._chunk, count, now_ms)
        return count

    def _use_messages(self, now_ms: int) -> None:
        """Use complete messages until a row is ready or there are none."""
        parser = self._parser
        epoch = self._epoch
        while not epoch.fix_ready and not epoch.ecef_ready:
            kind = parser.next()
            if kind == NONE:
                break
            if kind >= ACK or kind == TXT:
                self._use_reply(kind, now_ms)
                parser.done()
                parser.burst_is_new = False  # an answer to us is not the beginning of an epoch's burst
            elif epoch.take(kind):
                parser.done()
                if kind == PVT:
                    self.setup.heard_pvt(now_ms)
                elif kind <= ZDA:
                    self.setup.heard_nmea(now_ms)
        self.bad = parser.bad

    def _use_reply(self, kind: int, now_ms: int) -> None:
        """Hand what the receiver says about itself to the configuration."""
        parser = self._parser
        buf = parser.buf
        payload = parser.begin + 6
        if kind == ACK:
            self.setup.heard_ack(buf[payload], buf[payload + 1], buf[parser.begin + 3] == 1, now_ms)
        elif kind == NAV5:
            self.setup.heard_model(buf[payload + 2], now_ms)
        elif kind == VALGET:
            if is_model_key(buf, payload + 4):
                self.setup.heard_model(buf[payload + 8], now_ms)
        elif kind == VERSION:
            self._read_version(payload, parser.stop)
            self.setup.heard_version(self.protocol, now_ms)
            self._know_limit()
        elif buf.find(b"u-blox", parser.begin, parser.stop) > 0 or buf.find(b"PROTVER", parser.begin, parser.stop) > 0:
            self.setup.noticed_restart(now_ms)  # lines of the text said at every start
            self._watch.restarted(now_ms)

    def _know_limit(self) -> None:
        """The generation, told by the protocol, decides how high the airborne models reach."""
        limit = _NEW_AIRBORNE_M if self.protocol >= _NEW_PROTOCOL else _OLD_AIRBORNE_M
        self._watch.airborne_limit_m = limit
        if self.protocol != self._said_protocol:
            self._said_protocol = self.protocol
            self._note(events.GNSS_IDENTIFIED, self.protocol, limit)

    def _read_version(self, payload: int, stop: int) -> None:
        """MON-VER: 30 characters of software, 10 of hardware, then lines of 30 such as "PROTVER=18.00"."""
        buf = self._parser.buf
        for i in range(40):
            self.version[i] = buf[payload + i]
        self.version_ready = True
        self.protocol = 0
        place = buf.find(b"PROTVER", payload + 40, stop)
        if place >= 0:
            begin = place + 8  # behind "=" or, before M8, a space
            end = begin
            while end < stop and (48 <= buf[end] <= 57 or buf[end] == 46):
                end += 1
            protocol = fixed(buf, begin, end, 2)
            if protocol > 0:
                self.protocol = protocol

    def _see_fix(self, now_ms: int) -> None:
        """Before a row is handed out: is it frozen or a jump, and does its time go on as ours does?"""
        fix = self.fix
        place = self._place
        if place.is_jump(fix):
            fix.flags |= FLAG_JUMP
            if now_ms - self._jump_said_ms >= _DOUBT_MS:
                self._jump_said_ms = now_ms
                self._note(events.GNSS_JUMP, place.up_m, place.across_m)
        self._watch.see(fix, self.pressure_altitude_m, now_ms)
        if fix.fix_type == FIX_NONE and self._watch.state == events.GNSS_ALTITUDE_LIMIT:
            fix.flags |= FLAG_LIMIT
        clock = self._clock
        if clock.steps(fix):
            self.setup.noticed_oddity(now_ms)
            if now_ms - self._step_said_ms >= _DOUBT_MS:
                self._step_said_ms = now_ms
                self._note(events.GNSS_TIME_STEP, clock.days, clock.ms)

    def _look(self, now_ms: int) -> None:
        """What need not be done at each poll."""
        if self._parser.good != self._good:
            self._good = self._parser.good
            self._good_ms = now_ms
            self._good_bytes = self.bytes_seen
            self._watch.answered(now_ms)
        else:
            self._maybe_change_rate(now_ms)
        height = self.pressure_altitude_m
        watch = self._watch
        if watch.look(height, self.setup.model_read, now_ms):
            if height is None:
                height = watch.last_altitude_m
            self._note(events.GNSS_STATE, watch.state, -1 if height is None else int(height))
        if watch.reason:
            self._note(watch.reason, watch.reason_a, watch.reason_b)
            watch.reason = 0
        self.state = watch.state
        command = self.setup.turn(now_ms)
        if command is not None:
            try:
                self._uart.write(command)
            except OSError:
                pass  # no answer will come, and that is what counts

    def _maybe_change_rate(self, now_ms: int) -> None:
        """Rubbish and nothing else: try the next bit rate. A silent line is no reason, any rate hears something."""
        if now_ms - self._good_ms < _RUBBISH_MS or now_ms - self._rate_ms < self._rate_pause_ms:
            return
        if self.bytes_seen - self._good_bytes < _RUBBISH_BYTES:
            return
        index = self._rate_index + 1
        self._rate_pause_ms = _RATE_MS
        if index >= len(self._rates):
            index = 0
            self._rate_pause_ms = _RATES_PAUSE_MS
        self._rate_index = index
        self._rate_ms = now_ms
        self._good_bytes = self.bytes_seen
        self._baud = self._rates[index]
        try:
            self._uart.init(baudrate=self._baud)
        except OSError:
            return
        self._parser.byte_us = 10000000 // self._baud

    def _note(self, code: int, a: int, b: int) -> None:
        """Queue an event; when the queue is full the newest is dropped, because the first ones explain the others."""
        count = self._event_count
        if count >= _EVENTS:
            return
        slot = 3 * ((self._event_first + count) % _EVENTS)
        queue = self._events
        queue[slot] = code
        queue[slot + 1] = a
        queue[slot + 2] = b
        self._event_count = count + 1
        if self.event_code == 0:
            self._next_event()

    def _next_event(self) -> None:
        slot = 3 * self._event_first
        self.event_code = self._events[slot]
        self.event_a = self._events[slot + 1]
        self.event_b = self._events[slot + 2]
        self._event_first = (self._event_first + 1) % _EVENTS
        self._event_count -= 1

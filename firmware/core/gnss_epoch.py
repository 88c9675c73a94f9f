"""One fix per epoch: messages that a receiver sends for the same moment become one row, whatever their order.

- NAV-PVT says everything and wins: it is given at once, and what NMEA says of the same moment is dropped.
- RMC, GGA and GSA of one moment are gathered until a message of another moment comes or the line falls silent.
- A height is only kept from a fix that is three-dimensional: a receiver with three satellites assumes one and says it
  in GGA as if it were measured. GSA decides; without it, four satellites are needed.
- NAV-SOL becomes an `ecef` row, and only when no other message of the last SOL_AFTER_MS had a position; one without a
  fix only when there was no other message at all.
- A moment is given once. One without any time (a receiver that has just started) is given when its message comes again.

Nothing here allocates after construction. What is gathered is given by copying it into `fix` or `ecef`.
"""

from firmware.core.gnss_nmea import Sentence
from firmware.core.gnss_numbers import days_in_month, is_date, signed32, unsigned32
from firmware.core.gnss_parser import GGA, GSA, PVT, RMC, SOL, TIMEGPS, ZDA, GnssParser
from firmware.core.gnss_rows import UNKNOWN_LEAP, Ecef, Fix
from shared_protocol.compat import const
from shared_protocol.records import (
    FIX_2D,
    FIX_3D,
    FIX_NONE,
    FLAG_ASSUMED_DATE,
    SOURCE_NAV_PVT,
    SOURCE_NMEA,
    UNKNOWN_I32,
    UNKNOWN_U32,
)

SOL_AFTER_MS = const(3000)

_SAME_MS = const(50)  # NAV-PVT says the true moment, NMEA the nearest 10 ms
_DAY_MS = const(86400000)
_BURST_LEAD_MS = const(300)  # a burst's first byte belongs to an epoch that begins at most this much later

_HAS_RMC = const(1)
_HAS_GGA = const(2)
_HAS_PVT = const(4)


class EpochBuilder:
    """take() messages, finish() when the line is silent; rows come out in `fix` and `ecef`, marked ready.

    Whoever uses a row sets fix_ready or ecef_ready to False; until then no message may be handed in.
    """

    def __init__(self, parser: "GnssParser"):
        self._parser = parser
        self._sentence = Sentence()
        self.fix = Fix()
        self.fix_ready = False
        self.ecef = Ecef()
        self.ecef_ready = False
        self._open = Fix()  # what is being gathered
        self._has = 0  # which messages are in it; 0: nothing is open
        self._given = False  # it has been given; what still comes for the same moment is dropped
        self._pvt_tow = -1
        self._gsa_mode = 0  # best mode said for the open epoch, 0: none
        self._gsa_closed = False  # a timed message came after that GSA: the next GSA begins another group
        self._next_gsa_mode = 0  # said before the epoch that it belongs to
        self._date_ms = UNKNOWN_I32  # last known date: the time of day for which it was said
        self._date_year = 0
        self._date_month = 0
        self._date_day = 0
        self._sol = Ecef()
        self._sol_waits = False
        self._position_ms = -SOL_AFTER_MS  # when the last position by another message than NAV-SOL came
        self._other_ms = -SOL_AFTER_MS  # when the last such message came, with a position or without
        self._leap = UNKNOWN_LEAP

    def take(self, kind: int) -> bool:
        """Use the message that the parser has found. False: another epoch had to be given first, hand it in again."""
        if kind == PVT:
            return self._take_pvt()
        if kind == RMC or kind == GGA:
            return self._take_rmc_or_gga(kind)
        parser = self._parser
        if kind == GSA:
            self._sentence.read_gsa(parser.buf, parser.begin, parser.stop)
            self._take_mode(self._sentence.mode)
        elif kind == ZDA:
            self._take_zda()
        elif kind == SOL:
            return self._take_sol()
        elif kind == TIMEGPS:
            payload = parser.begin + 6  # leapS at 10, valid at 11, bit 2: leap seconds are known
            if parser.buf[payload + 11] & 4:
                leap = parser.buf[payload + 10]
                self._leap = leap - 256 if leap > 127 else leap
        return True

    def finish(self) -> None:
        """The line is silent: what was gathered is complete."""
        self._give()
        self._give_sol()

    def _take_rmc_or_gga(self, kind: int) -> bool:
        parser = self._parser
        said = self._sentence
        self._other_ms = parser.ms
        if kind == RMC:
            said.read_rmc(parser.buf, parser.begin, parser.stop)
            bit = _HAS_RMC
        else:
            said.read_gga(parser.buf, parser.begin, parser.stop)
            bit = _HAS_GGA
        if not self._belongs(said.time_ms, bit):
            if not self._given and self._has:
                self._give()
                return False
            self._begin(said.time_ms)
        if kind == RMC and said.year:
            self._know_date(said.time_ms, said.year, said.month, said.day)
        self._gsa_closed = True
        if said.valid:
            self._position_ms = parser.ms
        if self._given or self._has & bit:
            return True  # said already
        self._has |= bit
        if self._has & _HAS_PVT and not said.valid:
            return True  # NAV-PVT without a fix knows more than NMEA without one
        fix = self._open
        fix.source = SOURCE_NMEA
        if kind == RMC:
            if said.year:
                fix.year = said.year
                fix.month = said.month
                fix.day = said.day
                fix.flags = 0
            if said.valid:
                fix.speed = said.speed
                fix.course = said.course
        else:
            fix.satellites = said.satellites
            fix.hdop = said.hdop
            fix.altitude = said.altitude
            fix.ellipsoid_height = said.ellipsoid_height
        if said.valid and (kind == GGA or fix.latitude == UNKNOWN_I32):
            fix.latitude = said.latitude
            fix.longitude = said.longitude
        return True

    def _take_pvt(self) -> bool:
        """UBX NAV-PVT; offsets as in the u-blox M8 and M10 interface descriptions."""
        parser = self._parser
        buf = parser.buf
        self._other_ms = parser.ms
        at = parser.begin + 6
        utc = UNKNOWN_I32
        if buf[at + 11] & 2:  # validTime
            nano = signed32(buf, at + 16)
            utc = ((buf[at + 8] * 60 + buf[at + 9]) * 60 + buf[at + 10]) * 1000 + (nano + 500000) // 1000000
        tow = unsigned32(buf, at, -1)
        repeats = self._has & _HAS_PVT and tow == self._pvt_tow
        if not repeats and not self._belongs(utc, _HAS_PVT):
            if not self._given and self._has:
                self._give()
                return False
            self._begin(utc)
        self._gsa_closed = True
        self._pvt_tow = tow
        year = buf[at + 4] | buf[at + 5] << 8
        dated = buf[at + 11] & 1 and is_date(year, buf[at + 6], buf[at + 7])
        if dated:
            self._know_date(utc, year, buf[at + 6], buf[at + 7])
        kind = buf[at + 20]
        fixed = buf[at + 21] & 1 and 2 <= kind <= 4  # gnssFixOK; 1 is dead reckoning alone, 5 time alone
        if fixed:
            self._position_ms = parser.ms
        if self._given or repeats:
            return True
        self._has |= _HAS_PVT
        fix = self._open
        fix.utc = utc
        if dated:
            fix.year = year
            fix.month = buf[at + 6]
            fix.day = buf[at + 7]
            fix.flags = 0
        if not fixed and fix.latitude != UNKNOWN_I32:
            return True  # NMEA knows better
        fix.source = SOURCE_NAV_PVT
        fix.satellites = buf[at + 23]
        fix.hdop = buf[at + 76] | buf[at + 77] << 8
        if not fixed:
            return True  # given at the end of the epoch, should NMEA know better
        fix.longitude = signed32(buf, at + 24)
        fix.latitude = signed32(buf, at + 28)
        fix.fix_type = FIX_2D if kind == 2 else FIX_3D
        if kind == 2:  # the height is an assumed one
            fix.ellipsoid_height = fix.altitude = fix.climb = UNKNOWN_I32
        else:
            fix.ellipsoid_height = signed32(buf, at + 32)
            fix.altitude = signed32(buf, at + 36)
            fix.climb = -signed32(buf, at + 56)  # velD is positive downwards
        fix.accuracy = unsigned32(buf, at + 40, UNKNOWN_U32)
        fix.speed = signed32(buf, at + 60)
        fix.course = signed32(buf, at + 64)
        self._give()
        return True

    def _belongs(self, time_ms: int, bit: int) -> bool:
        """True if a message of this time is part of the open epoch."""
        if not self._has:
            return False
        ours = self._open.utc
        if time_ms == UNKNOWN_I32 or ours == UNKNOWN_I32:
            return time_ms == ours and not self._has & bit
        apart = abs(time_ms - ours)
        if self._has & bit:
            return apart == 0 and bit != _HAS_PVT  # the same kind again: a new epoch, unless it is a mere repetition
        return apart < _SAME_MS or apart > _DAY_MS - _SAME_MS

    def _begin(self, time_ms: int) -> None:
        """Open an epoch."""
        parser = self._parser
        fix = self._open
        fix.clear()
        fix.utc = time_ms
        fix.t_ms = parser.ms
        if parser.burst_is_new:
            parser.burst_is_new = False
            if 0 <= parser.ms - parser.burst_ms <= _BURST_LEAD_MS:
                fix.t_ms = parser.burst_ms
        self._has = 0
        self._given = False
        self._gsa_mode = self._next_gsa_mode
        self._gsa_closed = False
        self._next_gsa_mode = 0

    def _give(self) -> None:
        """Complete the open epoch and mark it ready, once."""
        if not self._has or self._given:
            return
        self._given = True
        fix = self._open
        if fix.year == 0 and fix.utc != UNKNOWN_I32 and fix.source == SOURCE_NMEA:
            self._assume_date(fix)
        if fix.source == SOURCE_NMEA:
            if fix.latitude == UNKNOWN_I32:
                fix.clear_position()
            else:
                self._judge_height(fix)
        self.fix.copy(fix)
        self.fix_ready = True

    def _judge_height(self, fix: "Fix") -> None:
        mode = self._gsa_mode
        if mode < 2:  # no GSA, or one that denies the fix
            mode = 3 if 4 <= fix.satellites < 0xFF else 2
        if mode == 3 and fix.altitude != UNKNOWN_I32:
            fix.fix_type = FIX_3D
        else:
            fix.fix_type = FIX_2D
            fix.altitude = UNKNOWN_I32
            fix.ellipsoid_height = UNKNOWN_I32

    def _take_mode(self, mode: int) -> None:
        """GSA says no time: it belongs to the open epoch, or begins the next one's group. The best counts."""
        if not self._has or (self._gsa_mode and self._gsa_closed):
            self._next_gsa_mode = max(self._next_gsa_mode, mode)
        else:
            self._gsa_mode = max(self._gsa_mode, mode)
            self._gsa_closed = False

    def _take_zda(self) -> None:
        parser = self._parser
        said = self._sentence
        said.read_zda(parser.buf, parser.begin, parser.stop)
        if not said.year:
            return
        self._know_date(said.time_ms, said.year, said.month, said.day)
        if self._has and not self._given and self._open.year == 0 and said.time_ms == self._open.utc:
            self._open.year = said.year
            self._open.month = said.month
            self._open.day = said.day

    def _know_date(self, time_ms: int, year: int, month: int, day: int) -> None:
        self._date_ms = time_ms
        self._date_year = year
        self._date_month = month
        self._date_day = day

    def _assume_date(self, fix: "Fix") -> None:
        """The last known date, or the day after it if midnight has passed; flagged unless said for this moment."""
        if not self._date_year:
            return
        if self._date_ms != UNKNOWN_I32 and self._date_ms - fix.utc > _DAY_MS // 2:
            day = self._date_day + 1
            month = self._date_month
            year = self._date_year
            if day > days_in_month(year, month):
                day = 1
                month += 1
                if month > 12:
                    month = 1
                    year += 1
            self._know_date(fix.utc, year, month, day)
            fix.flags = FLAG_ASSUMED_DATE
        elif self._date_ms != fix.utc:
            fix.flags = FLAG_ASSUMED_DATE
        fix.year = self._date_year
        fix.month = self._date_month
        fix.day = self._date_day

    def _take_sol(self) -> bool:
        """UBX NAV-SOL; offsets as in the u-blox 6 and M8 interface descriptions."""
        parser = self._parser
        buf = parser.buf
        at = parser.begin + 6
        kind = buf[at + 10]
        flags = buf[at + 11]
        tow = unsigned32(buf, at, -1)
        if self._sol_waits:
            if tow == self._sol.tow:
                return True
            self._give_sol()
            if self.ecef_ready:
                return False
        sol = self._sol
        sol.t_ms = parser.ms
        sol.tow = tow
        week = buf[at + 8] | buf[at + 9] << 8
        sol.week = week if flags & 4 and week < 0x8000 else -1  # WKNSET
        sol.satellites = buf[at + 47]
        self._sol_waits = True
        if not flags & 1 or kind < 2 or kind > 4:  # gpsFixOK; what it says of a place is the last one, or nothing
            sol.fix_type = FIX_NONE
            sol.x = sol.y = sol.z = 0
            sol.accuracy = UNKNOWN_U32
            return True
        sol.fix_type = FIX_2D if kind == 2 else FIX_3D
        sol.x = signed32(buf, at + 12)
        sol.y = signed32(buf, at + 16)
        sol.z = signed32(buf, at + 20)
        sol.accuracy = unsigned32(buf, at + 24, UNKNOWN_U32)
        return True

    def _give_sol(self) -> None:
        """Give the waiting NAV-SOL, unless another message says the same better: a position, or that there is none."""
        if not self._sol_waits:
            return
        self._sol_waits = False
        sol = self._sol
        if sol.t_ms - (self._other_ms if sol.fix_type == FIX_NONE else self._position_ms) < SOL_AFTER_MS:
            return
        sol.leap = self._leap
        self.ecef.copy(sol)
        self.ecef_ready = True

"""What the ground may ask of a board on the bench, and the answers. One order at a time takes longer than a turn."""

import gc
import time

from firmware.bench.card_test import CardTest
from shared_protocol import link
from shared_protocol.compat import const

_SIGNAL_MS_MAX = const(30000)
_HALF_MS_MIN = const(20)
_ASK_MS = const(4000)  # a receiver answers within a second, and is asked twice
_WATCH = const(6)  # the step of gnss_setup.py in which it only looks now and then
_ADDRESS_FIRST = const(0x08)  # UM10204, 3.1.12: what is below and above is reserved
_ADDRESS_LAST = const(0x77)
_ADDRESSES_A_TURN = const(8)


class Orders:
    """begin() starts an order and gives its answer, or None if that will come from step()."""

    def __init__(self, computer, board):
        self._computer = computer
        self._board = board
        self._card_test = None
        self._asked_ms = -1  # since when the receiver's mode is being read back; -1: it is not
        self._address = 0  # of the I2C bus that is tried next; 0: none
        self._found = [0, 0, 0, 0]
        self._pin = None  # blinking or sounding
        self._pin_until_ms = 0
        self._pin_half_ms = 0
        self._pin_from_ms = 0
        self.status = link.DONE
        self.answer = (0, 0, 0, 0)

    def begin(self, code: int, a: int, b: int, now_ms: int) -> bool:
        """Start an order; True if `status` and `answer` hold already."""
        self.answer = (0, 0, 0, 0)
        self.status = link.DONE
        if code == link.ECHO:
            self.answer = (a, b, 0, 0)
        elif code == link.SOUNDER:
            self._signal(self._board.sounder, a, b, now_ms)
        elif code == link.LED:
            self._signal(self._board.led, a, b, now_ms)
        elif code == link.MEMORY:
            self.answer = _memory()
        elif code == link.INTRODUCE:
            self._computer.journal.news += 1
        elif code == link.CARD_TEST:
            if self._computer.logbook.is_open:
                self._card_test = CardTest(self._board.storage, a)
                return False
            self.status = link.MISSING
        elif code == link.AIRBORNE:
            return self._ask_receiver(now_ms)
        elif code == link.BUS_SCAN:
            self._address = _ADDRESS_FIRST
            self._found = [0, 0, 0, 0]
            return False
        else:
            self.status = link.UNKNOWN
        return True

    def step(self, now_ms: int) -> bool:
        """Go on with what takes longer; True when `status` and `answer` of the order that was begun hold."""
        self._play(now_ms)
        test = self._card_test
        if test is not None:
            test.step()
            if not test.is_over:
                return False
            self._card_test = None
            self.status = link.FAILED if test.failed else link.DONE
            self.answer = test.results()
            return True
        if self._address:
            return self._scan()
        if self._asked_ms < 0:
            return False
        if self._computer.gnss.receiver.setup.model_read < 0 and now_ms - self._asked_ms < _ASK_MS:
            return False
        self._asked_ms = -1
        self._tell_mode()
        return True

    def is_idle(self) -> bool:
        """True if the next turn may be a while away."""
        return self._card_test is None and not self._address

    def end(self) -> None:
        """Nothing blinks or sounds any more."""
        if self._pin is not None:
            self._pin(0)

    def _signal(self, pin, for_ms, half_ms, now_ms):
        if pin is None:
            self.status = link.MISSING
            return
        self.end()
        self._pin = pin
        self._pin_from_ms = now_ms
        self._pin_until_ms = now_ms + min(max(for_ms, 0), _SIGNAL_MS_MAX)
        self._pin_half_ms = max(half_ms, _HALF_MS_MIN)

    def _play(self, now_ms):
        if self._pin is None:
            return
        if now_ms >= self._pin_until_ms:
            self.end()
            self._pin = None
            return
        self._pin(1 - ((now_ms - self._pin_from_ms) // self._pin_half_ms & 1))

    def _scan(self):
        """Call some more addresses of the I2C bus: who is there acknowledges its address and hears nothing more."""
        for _ in range(_ADDRESSES_A_TURN):
            address = self._address
            try:
                self._board.i2c.writeto(address, b"")
                self._found[address >> 5] |= 1 << (address & 31)
            except OSError:
                if self._board.i2c.is_stuck:
                    self._address = 0
                    self.status = link.FAILED
                    return True
            self._address += 1
            if address == _ADDRESS_LAST:
                self._address = 0
                a, b, c, d = [word - ((word >> 31) << 32) for word in self._found]  # as signed numbers
                self.answer = (a, b, c, d)
                return True
        return False

    def _ask_receiver(self, now_ms):
        setup = self._computer.gnss.receiver.setup
        if setup.step != _WATCH:  # it is being set up, or does not answer
            self._tell_mode()
            return True
        setup.model_read = -1
        setup.noticed_oddity(now_ms)
        self._asked_ms = now_ms
        return False

    def _tell_mode(self):
        receiver = self._computer.gnss.receiver
        setup = receiver.setup
        self.status = link.DONE if receiver.bytes_seen else link.MISSING
        self.answer = (setup.model, setup.model_read, 1 if setup.confirmed else 0, receiver.protocol)


def _memory():
    """Free and used bytes, free after a collection, and how long that takes [us]."""
    if not hasattr(gc, "mem_free"):
        return (0, 0, 0, 0)
    free, used = gc.mem_free(), gc.mem_alloc()
    begun = time.ticks_us()
    gc.collect()
    took = time.ticks_diff(time.ticks_us(), begun)
    return free, used, gc.mem_free(), took

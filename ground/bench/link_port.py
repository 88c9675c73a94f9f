"""Opening the port of a board and getting the bench to run on it; every way in which that fails, in plain words."""

import errno
import struct
import time

import serial
from serial.tools import list_ports

from ground.errors import InputError
from shared_protocol import link
from shared_protocol.crc import UNSALTED

RATE = 115200  # the USB port of a board takes any
_RAW_BANNER = b"raw REPL; CTRL-B to exit\r\n>"
_SIGNS_OF_REPL = (b">>>", b"REPL", b"CTRL-B")
_SIGNS_OF_NOISE = (b"NameError", b"SyntaxError")  # what we sent to the REPL was not what arrived
_TRIES = 3
_SOFT = b"soft reboot\r\n"
_HELD = (errno.EAGAIN, errno.EBUSY)
_TRACEBACK = b"Traceback (most recent call last)"
_SAID_MAX = 90

HELLO_SIZE = struct.calcsize(link.link_format(link.HELLO))
_KEYS = b"\x03\x04"  # stop, and soft reset: a board at its REPL must not take them for keys
_ASK_S = 0.7
_STOP_KEY_S = 2.0
_RESET_S = 15.0
_START_S = 20.0

_START = b"""
try:
 import choose
 choose.use()
except ImportError:
 pass
try:
 from firmware.bench import run
except ImportError as e:
 print('NONE', e)
else:
 print('HERE')
"""


def _for_anybody(code):
    """A command for a board whose session is not known, with a number that leaves the REPL's keys out of it."""
    for number in range(256, 0x10000):
        frame = link.encode(link.COMMAND, number, 0, (code, 0, 0, 0), UNSALTED)
        if not any(key in frame for key in _KEYS):
            return frame
    raise AssertionError("no such number")


ASK = _for_anybody(link.ASK_HELLO)
_STOP = _for_anybody(link.STOP)


class Unclear(InputError):
    """The board answered in a way that a garbled byte would explain."""


class PortLost(Exception):
    """The port is gone, or the board has stopped answering."""


def open_port(name):
    """The opened port. Raises InputError: it is not there, another program has it, it may not be opened."""
    try:
        return serial.Serial(name, RATE, timeout=0.05, write_timeout=2.0, exclusive=True)
    except serial.SerialException as error:
        raise InputError(_why_not(name, error)) from None


def usb_ports():
    """Where a board may be, for a line that asks for its port: `on USB: /dev/ttyACM0`."""
    there = sorted(port.device for port in list_ports.comports() if port.vid is not None)
    return f"on USB: {', '.join(there) or 'none'}"


def _why_not(name, error):
    number, text = error.errno, str(error)
    if number == errno.ENOENT or "FileNotFoundError" in text:
        return f"{name}: there is no such port ({usb_ports()}); plug the board in with a cable that carries data"
    if number in _HELD or "exclusively lock" in text or "Access is denied" in text:
        return (
            f"{name}: another program has the port open; close it (a terminal, an editor, another bench), or wait "
            "ten seconds after plugging in: some systems look at a new port themselves"
        )
    if number == errno.EACCES:
        return (
            f"{name}: you may not open this port; on Linux add yourself to the group that owns it "
            "(often dialout) and log in again"
        )
    if number == errno.ENOTTY or "Inappropriate ioctl" in text:
        return f"{name}: is not a serial port; name the port of the board"
    return f"{name}: cannot be opened as a serial port ({text}); name the port of the board"


class Talk:
    """Asks a board for the bench over an open port: hello() if it runs there already, start() if it does not."""

    def __init__(self, name, port):
        self._name = name
        self._port = port

    def hello(self, wait_s=_ASK_S):
        """`(payload, heard)`: the hello of a board on which the bench runs, None without an answer, and all that came.

        Listening ends early when the board is at its REPL with an error.
        """
        splitter = link.Splitter({link.HELLO: HELLO_SIZE}, (UNSALTED,))
        until, ask, heard = time.monotonic() + wait_s, 0.0, b""
        while time.monotonic() < until:
            if time.monotonic() >= ask:
                self.send(ASK)
                ask = time.monotonic() + 0.35
            data = self.receive()
            heard += data
            for frame in splitter.feed(data):
                return frame[3], heard
            if b"\x04>" in heard[heard.find(_TRACEBACK) :] and _TRACEBACK in heard:
                break
        return None, heard

    def start(self):
        """Stop what runs, reset softly past main.py, start the bench; what hello() gives. Raises InputError."""
        for tries_left in reversed(range(_TRIES)):
            try:
                return self._start()
            except Unclear:
                if not tries_left:
                    raise
        raise AssertionError("not reached")

    def _start(self):
        self.enter_raw_repl()
        said = self.run(_START)
        if b"HERE" not in said and b"NONE" not in said:
            raise Unclear(f"{self._name}: the board does not do as it is told: {_last_words(said)}")
        if b"HERE" not in said:
            raise InputError(
                f"{self._name}: the board answers as MicroPython and has no Thistledown firmware; "
                f"put it on: thistledown install --port {self._name}"
            )
        self.send(b"run()\x04")
        hello, heard = self.hello(_START_S)
        if hello is None:
            is_garbled = any(sign in heard for sign in _SIGNS_OF_NOISE)
            problem = f"{self._name}: the firmware on the board did not start: {_last_words(heard)}"
            raise Unclear(problem) if is_garbled else InputError(problem)
        return hello, heard

    def end_bench(self):
        """Let a board go on which a bench still runs that nobody talks to."""
        payload, _heard = self.hello()
        if payload is not None:
            self.send(_STOP)
            self.read_until(b"\x04>", _ASK_S)

    def enter_raw_repl(self):
        """Interrupt what runs and reset softly, so that nothing of it is left; InputError if that cannot be done."""
        heard = b""
        for _ in range(_TRIES):  # a byte may be lost on the way
            self.send(b"\r\x03\x03")
            said = self.read_until(b">>> ", 0.4)
            self.send(b"\r\x01")
            said += self.read_until(_RAW_BANNER, _STOP_KEY_S)
            heard += said
            if _RAW_BANNER in said:
                break
            if not any(sign in said for sign in _SIGNS_OF_REPL):
                raise InputError(self._no_repl(heard))
        else:
            raise InputError(self._no_repl(heard))
        self.send(b"\x04")
        heard = self.read_until(_SOFT, _RESET_S)
        heard += self.read_until(_RAW_BANNER, _RESET_S)
        if not heard.endswith(_RAW_BANNER):
            raise Unclear(f"{self._name}: the board did not come back from a soft reset: {_last_words(heard)}")

    def run(self, program):
        """What a short program says in the raw REPL; its error is an InputError."""
        self.send(program + b"\x04")
        heard = self.read_until(b"\x04>", 10.0)
        said, _, error = heard.partition(b"\x04")
        if not said.startswith(b"OK") or len(error) > 2:
            raise Unclear(f"{self._name}: the board does not do as it is told: {_last_words(heard)}")
        return said[2:]

    def leave(self):
        """Out of the raw REPL, and a soft reset: the board flies."""
        self.read_until(b"\x04>", 1.5)
        self.send(b"\r\x02")
        self.read_until(b">>> ", 1.0)
        self.send(b"\x04")
        self.read_until(_SOFT, 2.0)

    def read_until(self, ending, wait_s):
        """What comes until `ending` is among it, or the time is over."""
        heard, until = b"", time.monotonic() + wait_s
        while time.monotonic() < until:
            heard += self.receive()
            if ending in heard:
                break
        return heard

    def send(self, data):
        """Raises PortLost."""
        try:
            self._port.write(data)
        except (serial.SerialException, OSError) as error:
            raise PortLost(str(error)) from None

    def receive(self):
        """What has come, b"" after a short wait. Raises PortLost."""
        try:
            return self._port.read(max(1, min(self._port.in_waiting, 4096)))
        except (serial.SerialException, OSError, TypeError) as error:  # TypeError: closed meanwhile
            raise PortLost(str(error)) from None

    def _no_repl(self, heard):
        if not heard.strip():
            return (
                f"{self._name}: no board answers; is it the right port, does the cable carry data, "
                "and is MicroPython on the board?"
            )
        return (
            f"{self._name}: what is connected does not answer as a MicroPython board; it said {_last_words(heard)}; "
            "is it the right port?"
        )


def _last_words(heard):
    """The last line of what was heard, fit to be shown."""
    text = heard.replace(b"\x04", b"").decode("ascii", "replace")
    whole, _, rest = text.replace("\r", "\n").rpartition("\n")  # the last line may still be on its way
    lines = ["".join(ch if " " <= ch <= "~" else "." for ch in line).strip() for line in (whole or rest).split("\n")]
    lines = [line for line in lines if line and line not in (">", ">>>") and "raw REPL" not in line]
    return f'"{lines[-1][-_SAID_MAX:]}"' if lines else "nothing"

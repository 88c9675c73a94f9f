"""The line to a board on the bench: its frames as tables, commands with answers, cables that are pulled and put back.

`open_board(port)` gives a BoardLink. A thread of its own reads the port, so nothing is lost while somebody thinks or
types; everything else is called from one thread.
"""

import secrets
import struct
import threading
import time

from ground.bench.hello import hello_of, named
from ground.bench.link_frames import FrameStore, tables_of
from ground.bench.link_port import ASK, HELLO_SIZE, PortLost, Talk, open_port
from ground.bench.simulated import simulated_board
from ground.errors import InputError
from shared_protocol import link
from shared_protocol.crc import UNSALTED
from shared_protocol.frame import PAYLOAD_SIZES

LINK_SIZES = {  # the closed table of what may come up the line: type to payload length
    **PAYLOAD_SIZES,
    **{kind: struct.calcsize(link.link_format(kind)) for kind in (link.REPLY, link.STATUS)},
    link.HELLO: HELLO_SIZE,
}
_CODES = {name: (code, arguments, answers) for code, name, arguments, answers in link.COMMANDS}
_STATUS_WORDS = {link.DONE: "done", link.BUSY: "busy", link.UNKNOWN: "unknown", link.FAILED: "failed",
                 link.MISSING: "missing"}  # fmt: skip
_REPEAT_S = 0.5
_ANSWER_S = 4.0
_BUSY_S = 120.0
_SIGN_OF_LIFE_S = 2.0  # from us; the board gives up after two minutes without
_SILENT_S = 6.0  # from the board, which says something each second
_AGAIN_S = 0.3
_MOMENTS_MAX = 100_000


def open_board(port, *, say=None, **sim):
    """Connect to the board at a serial port and start the bench on it.

    Parameters
    ----------
    port : str
        Of the board; or "sim" for a simulated board, "sim:SCENARIO" for one in that scenario.
    say : callable, optional
        say(text): one line about what happens on the way and later (a pulled cable).
    **sim
        Arguments of SerialBoard, for a simulated board: speed, faults, settings, ...

    Returns
    -------
    BoardLink

    Raises
    ------
    InputError
        No such port; another program holds it; no board answers; the board runs something else.
    """
    board = simulated_board(port, **sim)
    if board is not None:
        port = board.start().port
    try:
        return BoardLink(port, say, board)
    except BaseException:
        if board is not None:
            board.close()
        raise


class BoardLink:
    """An open line. Use as a context manager, or call close(); see open_board."""

    def __init__(self, port, say=None, board=None):
        self.port = port
        self.board = board  # the simulated one, for who wants to hurt it
        self.simulated = board is not None
        self.hello = None
        self.is_connected = False
        self.status = {}  # the newest status record of the board
        self.moments = []  # (s since 1970 UTC of this computer, t_ms of the board), once a second
        self._say = say or (lambda text: None)
        self._store = FrameStore()
        self._splitter = link.Splitter(LINK_SIZES, (UNSALTED,))
        self._bytes = self._bad_bytes = self._good_frames = self._reconnects = 0
        self._lock = threading.RLock()
        self._news = threading.Condition(self._lock)
        self._replies = {}
        self._number = secrets.randbelow(0x10000)
        self._sent_s = self._heard_s = 0.0
        self._failure = None  # what the thread cannot mend
        self._closing = False
        self._serial = open_port(port)
        self._talk = Talk(port, self._serial)
        try:
            self._connect()
        except PortLost as lost:
            self._serial.close()
            raise InputError(f"{port}: the port went away while the board was asked ({lost}); try again") from None
        except BaseException:
            self._serial.close()
            raise
        self._thread = threading.Thread(target=self._run, name="bench link", daemon=True)
        self._thread.start()

    # --- what is known ---------------------------------------------------------------------------------------

    def poll(self):
        """Frames received so far. Raises InputError if the line is lost for good."""
        with self._lock:
            if self._failure is not None:
                raise InputError(self._failure)
            return self._store.count

    def readings(self, seconds):
        """Wait until the board has gone on by so many seconds of its own time; the tables of everything so far."""
        until = time.monotonic() + 3.0 * seconds + 30.0
        begun = None
        while time.monotonic() < until:
            self.poll()
            now_ms = self._store.last_t_ms
            if now_ms is not None:
                if begun is None or now_ms < begun:
                    begun = now_ms
                if now_ms - begun >= seconds * 1000.0:
                    break
            time.sleep(0.02)
        return self.tables()

    def tables(self):
        """All that came so far, as the tables of a flight folder: name to ground.decode.table.Table."""
        with self._lock:
            sectors = self._store.sectors()
        return tables_of(sectors)

    @property
    def statistics(self):
        """What the line has carried: dict of numbers."""
        with self._lock:
            return {
                "frames_ok": self._good_frames + self._splitter.good,
                "records": self._store.count,
                "records_missing": self._store.missing,
                "bytes": self._bytes,
                "bytes_bad": self._bad_bytes + self._splitter.skipped,
                "reconnects": self._reconnects,
                "board_dropped": self.status.get("dropped", 0),
                "board_bytes_bad": self.status.get("bad", 0),
            }

    # --- what may be asked -----------------------------------------------------------------------------------

    def command(self, name, *, wait_s=None, **arguments):
        """Ask the board for something; its answer.

        Parameters
        ----------
        name : str
            One of shared_protocol.link.COMMANDS.
        wait_s : float, optional
            How long for; by default a few seconds, and as long as the board says that it is busy. [s]
        **arguments : int
            As the command names them; 0 if left out.

        Returns
        -------
        dict
            `status` ("done", "failed", "missing" for a part that is not there, ...), `t_ms`, and what it answers.

        Raises
        ------
        InputError
            If the board does not answer.
        """
        code, names, answers = _CODES[name]
        unknown = set(arguments) - set(names)
        if unknown:
            raise TypeError(f"command {name} takes {names}, not {sorted(unknown)}")
        values = [arguments.get(key, 0) for key in names] + [0, 0]
        with self._lock:
            number = self._number = (self._number + 1) & 0xFFFF
        began = time.monotonic()
        until, again = began + (wait_s or _ANSWER_S), 0.0
        while True:
            with self._news:
                reply = self._replies.pop((number, code), None)
                if reply is None and time.monotonic() < again:
                    self._news.wait(min(0.1, max(again - time.monotonic(), 0.001)))
                    continue
            now = time.monotonic()
            if reply is not None and reply["status"] != "busy":
                return {key: value for key, value in reply.items() if key in ("status", "t_ms", *answers)}
            if reply is not None and wait_s is None:
                until = max(until, min(now + _ANSWER_S, began + _BUSY_S))
            if now >= until:
                self.poll()
                raise InputError(
                    f"{self.port}: the board did not answer the command {name} within {now - began:.0f} s; "
                    "look at the cable, and start the bench again"
                )
            self._send(link.encode(link.COMMAND, number, 0, (code, 0, values[0], values[1]), self._salt()))
            again = now + _REPEAT_S

    def close(self):
        """End the bench: the board goes back to flying firmware, the port is free."""
        if self._closing:
            return
        try:
            if self.is_connected and self._failure is None:
                self.command("stop", wait_s=3.0)
                self._stop_thread()
                self._talk.leave()
        except (InputError, PortLost):
            pass  # there is nobody to tell: it flies by itself when it hears no more of us
        finally:
            self._stop_thread()
            self._serial.close()
            if self.board is not None:
                self.board.close()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()

    # --- the thread ------------------------------------------------------------------------------------------

    def _stop_thread(self):
        self._closing = True
        thread = getattr(self, "_thread", None)
        if thread is not None and thread is not threading.current_thread():
            thread.join(timeout=10.0)

    def _run(self):
        while not self._closing:
            try:
                data = self._talk.receive()
                now = time.monotonic()
                if data:
                    with self._news:
                        self._take(data)
                        self._news.notify_all()
                if now - self._sent_s > _SIGN_OF_LIFE_S:
                    self._send(ASK)
                if now - self._heard_s > _SILENT_S:
                    raise PortLost("the board has fallen silent")
            except PortLost as lost:
                if not self._closing:
                    self._reconnect(str(lost))

    def _send(self, data):
        try:
            self._talk.send(data)
            self._sent_s = time.monotonic()
        except PortLost:
            if threading.current_thread() is self._thread:
                raise
            # the reading thread notices too, and mends it

    def _salt(self):
        return link.link_salt(self.hello.session)

    def _take(self, data):
        self._bytes += len(data)
        for kind, number, t_ms, payload, place in self._splitter.feed(data):
            self._heard_s = time.monotonic()
            if kind == link.HELLO:
                self._greet(payload)
            elif kind == link.REPLY:
                self._keep_reply(number, t_ms, payload)
            elif kind == link.STATUS:
                self.status = named(link.STATUS, payload)
                if len(self.moments) < _MOMENTS_MAX:
                    self.moments.append((time.time(), t_ms))
            elif place == 0:
                self._store.add(kind, number, t_ms, payload)

    def _keep_reply(self, number, t_ms, payload):
        values = named(link.REPLY, payload)
        reply = {"status": _STATUS_WORDS.get(values["status"], "unknown"), "t_ms": t_ms}
        for code, _name, _arguments, answers in link.COMMANDS:
            if code == values["code"]:
                reply |= dict(zip(answers, (values["a"], values["b"], values["c"], values["d"]), strict=False))
        self._replies[number, values["code"]] = reply
        while len(self._replies) > 50:
            self._replies.pop(next(iter(self._replies)))

    def _greet(self, payload):
        hello = hello_of(payload)
        if self.hello is None or hello.session != self.hello.session:
            self._good_frames += self._splitter.good
            self._bad_bytes += self._splitter.skipped
            self._splitter = link.Splitter(LINK_SIZES, (link.link_salt(hello.session), UNSALTED))
        self.hello = hello
        self._store.begin_boot(hello.boot)

    def _connect(self):
        """Say hello, or get the bench going first."""
        payload, heard = self._talk.hello()
        if payload is None:
            payload, heard = self._talk.start()
        with self._lock:
            self._greet(payload)
            self._take(heard)  # what was said before the session was known
            self.is_connected = True
            self._heard_s = self._sent_s = time.monotonic()

    def _reconnect(self, why):
        """The cable was pulled or the board has restarted: try until it is back."""
        self.is_connected = False
        self._say(f"{self.port}: lost the board ({why}); plug it in again, the bench goes on then")
        self._serial.close()
        while not self._closing:
            time.sleep(_AGAIN_S)
            try:
                self._serial = open_port(self.port)
            except InputError:
                continue
            self._talk = Talk(self.port, self._serial)
            try:
                self._connect()
            except (InputError, PortLost):
                self._serial.close()
                continue
            self._reconnects += 1
            self._say(f"{self.port}: the board is back")
            return

"""The files on a board's flash, reached through mpremote's transport and the raw REPL."""

import ast
import contextlib
import io
import struct
import time

from mpremote.transport import TransportError, TransportExecError
from mpremote.transport_serial import SerialTransport
from serial import SerialException

from ground.bench.link_port import PortLost, Talk, open_port
from ground.errors import InputError

_FEED_S = 2.0  # the watchdog bites after eight
_ANSWER_S = 20.0
_CHUNK = 512  # bytes of a file in one answer
_HEARD_S = 0.3  # the last command is on its way before the port is closed

# Runs on the board, once; the rest calls it.
_HELPERS = """
import os, sys, binascii, hashlib
_dog = None
def _feed():
    if _dog: _dog.feed()
def _hash(p):
    h = hashlib.sha256()
    b = bytearray(512)
    m = memoryview(b)
    with open(p, 'rb') as f:
        while True:
            n = f.readinto(b)
            if not n: break
            h.update(m[:n])
    _feed()
    return binascii.hexlify(h.digest()).decode()
def _tree(d, act):
    try: l = list(os.ilistdir(d))
    except OSError: return
    for e in l:
        p = d + '/' + e[0]
        if e[1] & 0x4000: _tree(p, act)
        else: act(p)
def _show(p):
    try: print(_hash(p), os.stat(p)[6], p)
    except OSError: pass
def _copy(s, d):
    b = bytearray(512)
    m = memoryview(b)
    with open(s, 'rb') as f:
        with open(d, 'wb') as g:
            while True:
                n = f.readinto(b)
                if not n: break
                g.write(m[:n])
    _feed()
"""

_FACTS = """
try:
    import vfs, machine
    vfs.VfsFat, binascii.crc32
    lacks = ''
except (ImportError, AttributeError) as e:
    lacks = str(e)
v = os.statvfs('.')
print(repr((sys.implementation.name, tuple(sys.implementation.version[:3]),
    getattr(sys.implementation, '_machine', sys.platform), getattr(sys.implementation, '_mpy', 0), v[0], v[4], lacks)))
"""


_TAKE_DOG = """
import machine
try: _dog = machine.WDT(timeout=8000)
except Exception: pass
_feed()
"""


class _Transport(SerialTransport):
    """mpremote's transport on a port that is open already."""

    def __init__(self, name, port):
        port.timeout = _ANSWER_S
        self.in_raw_repl = False
        self.use_raw_paste = True
        self.device_name = name
        self.mounted = False
        self.serial = port
        self.is_pty = False


class BoardFiles:
    """A board in its raw REPL, nothing of its firmware running. Use as a context manager.

    Raises InputError: from the start, as ground.bench.link does; later, if the board is lost (then `again` says what to
    do) or refuses.
    """

    def __init__(self, name, again="install again, what is there already is kept"):
        self.name = name
        self._again = again
        self._port = open_port(name)
        self._doing = "it was asked"
        self._fed_s = time.monotonic()
        self._has_dog = False
        talk = Talk(name, self._port)
        try:
            talk.end_bench()
            talk.enter_raw_repl()
            self._transport = _Transport(name, self._port)
            with self._watched("it was asked"):
                self._transport.enter_raw_repl(soft_reset=False)
                self._transport.exec(_HELPERS)
        except PortLost as lost:
            self._port.close()
            raise InputError(f"{name}: the port went away while the board was asked ({lost}); try again") from None
        except BaseException:
            self._port.close()
            raise

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self._port.close()

    def facts(self):
        """`(implementation, version, machine, mpy, block size, free blocks, what is lacking)`."""
        with self._watched("it was asked"):
            return _literal(self._transport.exec(_FACTS))

    def keep_watchdog(self):
        """A watchdog that the flying firmware may have started runs on: take hold of it and feed it from now on."""
        with self._watched("it was asked"):
            self._transport.exec(_TAKE_DOG)
        self._has_dog = True

    def read(self, path):
        """A small file's bytes, None if there is none."""
        program = f"try:\n with open({path!r}, 'rb') as f: print(repr(f.read()))\nexcept OSError: print('None')"
        with self._watched(f"{path} was read"):
            return _literal(self._transport.exec(program))

    def tree(self, folder):
        """Hash and size of every file below a folder, by path within it."""
        with self._watched(f"{folder} was read"):
            said = self._transport.exec(f"_tree({folder!r}, _show)").decode()
        self._fed_s = time.monotonic()
        found = {}
        for line in said.splitlines():
            digest, size, path = line.split(" ", 2)
            found[path[len(folder) + 1 :]] = (digest, int(size))
        return found

    def sizes(self, folder):
        """Size of every file below a folder, by its path from the root. [bytes]"""
        with self._watched(f"{folder} was read"):
            said = self._transport.exec(f"_tree({folder!r}, lambda p: print(os.stat(p)[6], p))").decode()
        found = (line.split(" ", 1) for line in said.splitlines())
        return {path: int(size) for size, path in found}

    def hash_of(self, path):
        """A file's hash, None if there is none."""
        with self._watched(f"{path} was read"):
            said = self._transport.exec(f"_show({path!r})").decode()
        return said.split(" ")[0] if said else None

    def receive(self, path, shown):
        """A file's bytes; shown(bytes so far)."""

        def told(done, _size):
            self._feed()
            shown(done)

        with self._watched(f"{path} was read"):
            return bytes(self._transport.fs_readfile(path, chunk_size=_CHUNK, progress_callback=told))

    def send(self, path, data):
        """Write a file from here."""
        with self._watched(f"{path} was written"):
            self._transport.fs_writefile(path, data, progress_callback=lambda done, size: self._feed())
        self._feed()

    def copy(self, source, goal):
        """Copy a file on the board."""
        with self._watched(f"{goal} was written"):
            self._transport.exec(f"_copy({source!r}, {goal!r})")
        self._feed()

    def rename(self, source, goal):
        """Put a file in the place of another one, whole or not at all."""
        with self._watched(f"{goal} was put in place"):
            self._transport.exec(f"os.rename({source!r}, {goal!r})")

    def remove(self, path):
        """Delete a file."""
        with self._watched(f"{path} was removed"):
            self._transport.exec(f"os.remove({path!r})")
        self._feed()

    def make_folder(self, path):
        """Make a folder unless it is there."""
        with self._watched(f"{path} was made"):
            self._transport.exec(f"try: os.mkdir({path!r})\nexcept OSError: os.stat({path!r})")

    def sync(self):
        """Everything written is in the flash."""
        with self._watched("its flash was brought up to date"):
            self._transport.exec("getattr(os, 'sync', lambda: None)()")

    def restart(self):
        """Start the board anew, as after power-up."""
        with contextlib.suppress(TransportError, SerialException, OSError):
            self._transport.exec_raw_no_follow("import machine; machine.reset()")
            time.sleep(_HEARD_S)

    def _feed(self):
        if self._has_dog and time.monotonic() - self._fed_s > _FEED_S:
            self._transport.exec("_feed()")
            self._fed_s = time.monotonic()

    @contextlib.contextmanager
    def _watched(self, doing):
        """What goes wrong on the line or on the board, in one line."""
        try:
            with contextlib.redirect_stdout(io.StringIO()):  # mpremote prints what it did not expect
                yield
        except TransportExecError as error:
            last = error.error_output.strip().splitlines()[-1:]
            raise InputError(
                f"{self.name}: the board refused while {doing} ({''.join(last)}); what it ran before, it still runs"
            ) from None
        except OSError as error:
            if not isinstance(error, SerialException):
                raise InputError(
                    f"{self.name}: the board refused while {doing} ({error.strerror or error}); "
                    "what it ran before, it still runs"
                ) from None
            raise self._lost(doing, error) from None
        except (TransportError, TypeError, ValueError, IndexError, struct.error) as error:
            raise self._lost(doing, error) from None

    def _lost(self, doing, error):
        said = " ".join(str(error).split()) or "no answer"
        return InputError(
            f"{self.name}: the board was lost while {doing} ({said}); what it ran before, it still runs; "
            f"plug it in and {self._again}"
        )


def _literal(said):
    return ast.literal_eval(said.decode().strip())

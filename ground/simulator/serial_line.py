"""Two pseudo-terminals: the port that the ground opens, and the terminal at which the board's MicroPython sits."""

import errno
import os
import select
import termios
from contextlib import suppress

_CHUNK = 4096


class Port:
    """The ground's end of the cable: a pseudo-terminal under a name that stays, as long as it is plugged in.

    Parameters
    ----------
    path : pathlib.Path
        Symbolic link to make; what the ground opens.
    """

    def __init__(self, path):
        self.path = path
        self._master = -1

    @property
    def is_plugged(self):
        """Whether the name is there."""
        return self._master >= 0

    def plug(self):
        """Put the port there."""
        if self.is_plugged:
            return
        master, slave = os.openpty()
        _make_raw(slave)
        os.set_blocking(master, False)
        self._master = master
        with suppress(FileNotFoundError):
            self.path.unlink()
        self.path.symlink_to(os.ttyname(slave))
        os.close(slave)

    def unplug(self):
        """Take it away; whoever has it open finds out when reading."""
        if not self.is_plugged:
            return
        with suppress(FileNotFoundError):
            self.path.unlink()
        os.close(self._master)
        self._master = -1

    def is_open(self):
        """Whether a program has it open."""
        if not self.is_plugged:
            return False
        poll = select.poll()
        poll.register(self._master, select.POLLIN)
        return not any(event & select.POLLHUP for _, event in poll.poll(0))

    def fileno(self):
        """For select()."""
        return self._master

    def read(self):
        """What the ground has sent; b"" if nothing."""
        return _read(self._master) if self.is_plugged else b""

    def write(self, data):
        """Pass on to the ground; the number of bytes taken. Without a reader everything is taken and lost."""
        if not self.is_open():
            return len(data)
        try:
            return os.write(self._master, data)
        except BlockingIOError:
            return 0
        except OSError:
            return len(data)


class Terminal:
    """The board's end. `slave` is what its process gets as standard input and output.

    The process switches the stop key on when it can take it; before, it would be killed by it.
    """

    def __init__(self):
        self._master, self.slave = os.openpty()
        _make_raw(self.slave)
        os.set_blocking(self._master, False)

    def has_stop_key(self):
        """Whether byte 3 interrupts the process."""
        return bool(termios.tcgetattr(self.slave)[3] & termios.ISIG)

    def fileno(self):
        """For select()."""
        return self._master

    def read(self):
        """What the board has said; b"" if nothing."""
        return _read(self._master)

    def write(self, data):
        """Pass on to the board; the number of bytes taken."""
        try:
            return os.write(self._master, data)
        except BlockingIOError:
            return 0

    def close(self):
        """Both ends."""
        for end in (self._master, self.slave):
            os.close(end)


def _read(master):
    try:
        return os.read(master, _CHUNK)
    except BlockingIOError:
        return b""
    except OSError as error:
        if error.errno == errno.EIO:  # nobody has the other end open
            return b""
        raise


def _make_raw(end):
    """Bytes pass as they are."""
    mode = termios.tcgetattr(end)
    mode[0] = mode[1] = 0
    mode[2] |= termios.CS8 | termios.CREAD
    mode[3] = 0
    for number in range(len(mode[6])):
        mode[6][number] = b"\0"
    mode[6][termios.VINTR] = b"\x03"
    mode[6][termios.VMIN] = 1
    mode[6][termios.VTIME] = 0
    termios.tcsetattr(end, termios.TCSANOW, mode)

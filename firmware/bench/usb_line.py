"""The board's serial line to the ground: standard input and output as bytes, never waited for.

While the bench runs, byte 3 is a byte like any other and no longer the key that interrupts the program.
"""

import select
import sys
import time

from shared_protocol.compat import const

_INTERRUPT_KEY = const(3)
_NO_KEY = const(-1)


class UsbLine:
    """open() before use, close() afterwards."""

    def __init__(self):
        # asked for by text, because the board gets this with short names of ours in the place of long ones
        self._input = getattr(sys.stdin, "buffer")
        self._output = getattr(sys.stdout, "buffer")
        self._byte = bytearray(1)
        self._can_read = select.poll()
        self._can_write = select.poll()
        self.waited_ms = 0  # how long the last write took

    def open(self) -> None:
        """From now on every byte is data."""
        self._can_read.register(sys.stdin, select.POLLIN)
        self._can_write.register(sys.stdout, select.POLLOUT)
        _interrupt_by(_NO_KEY)

    def close(self) -> None:
        """Give the line back to the REPL."""
        _interrupt_by(_INTERRUPT_KEY)

    def read(self, at_most: int) -> bytes:
        """What has come, at most so many bytes; b"" if nothing has.

        Byte by byte, because a longer read waits until its buffer is full.
        """
        data = b""
        while len(data) < at_most and self._is_ready(self._can_read, select.POLLIN):
            if not self._input.readinto(self._byte):
                break
            data += self._byte
        return data

    def write(self, view) -> int:
        """Bytes written, 0 if the line takes none now."""
        self.waited_ms = 0
        if not self._is_ready(self._can_write, select.POLLOUT):
            return 0
        begun = time.ticks_ms()
        count = self._output.write(view)
        self.waited_ms = time.ticks_diff(time.ticks_ms(), begun)
        return len(view) if count is None else count

    def _is_ready(self, poll, wanted):
        for entry in poll.ipoll(0):
            return bool(entry[1] & wanted)
        return False


def _interrupt_by(key):
    try:
        import micropython
    except ImportError:
        return
    micropython.kbd_intr(key)

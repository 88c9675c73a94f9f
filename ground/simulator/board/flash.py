"""The board's own flash: a folder of the laptop, seen through `os` as the board's file system shows itself.

Relative paths and "/" mean the flash. What depends on the laptop is taken out: the order of a listing, dates, and the
free space, which is counted from the files against the size of the file system on an RP2040 board with 2 MB of flash
(MicroPython's rp2 port keeps 1408 KiB of it for files). The limit is shown and not enforced.
"""

_BLOCK = 4096
_BLOCKS = 1408 * 1024 // _BLOCK
_FILE_MODE = 0x8000


class FlashCalls:
    """listdir, ilistdir, stat and statvfs for the flash; any other path goes to the host's calls."""

    def __init__(self, host_os):
        self._host = host_os

    def listdir(self, path="."):
        names = self._host.listdir(_folder(path))
        return sorted(names) if _on_flash(path) else names

    def ilistdir(self, path="."):
        entries = self._host.ilistdir(_folder(path))
        return iter(sorted(entries)) if _on_flash(path) else entries

    def stat(self, path):
        found = self._host.stat(_folder(path))
        if not _on_flash(path):
            return found
        return (found[0] & 0xF000, 0, 0, 0, 0, 0, found[6], 0, 0, 0)

    def statvfs(self, path="."):
        if not _on_flash(path):
            return self._host.statvfs(path)
        used = 2  # superblocks
        for entry in self._host.ilistdir("."):
            size = self._host.stat(entry[0])[6] if entry[1] == _FILE_MODE else 0
            used += 1 + size // _BLOCK
        free = max(0, _BLOCKS - used)
        return (_BLOCK, _BLOCK, _BLOCKS, free, free, 0, 0, 0, 0, 255)


def _on_flash(path):
    return path == "/" or path[:1] != "/"


def _folder(path):
    return "." if path in ("/", "") else path

"""The board's own flash as `os` shows it: relative paths and "/" mean the flash.

On MicroPython the flash is a virtual chip with littlefs (flash_chip.py, flash_mount.py). Under CPython, and where a
test asks for it, a folder of the laptop takes its place; then what depends on the laptop is taken out: the order of a
listing, dates, and the free space, counted from the files against the size of the file system on a board with 2 MB of
flash less its interpreter (1408 KiB; common practice, no source). That limit is shown and not enforced.
"""

_BLOCK = 4096
_BLOCKS = 1408 * 1024 // _BLOCK
_FILE_MODE = 0x8000


class FlashCalls:
    """listdir, ilistdir, stat and statvfs for the flash; any other path goes to the host's calls."""

    def __init__(self, host_os, has_chip=False):
        self._host = host_os
        self._has_chip = has_chip

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
        if self._has_chip or not _on_flash(path):
            return self._host.statvfs(_folder(path))
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

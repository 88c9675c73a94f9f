"""The folder of the second copy on the board's own file system."""

import os

from shared_protocol.second_copy import FOLDER


class FlashStorage:
    """Files by their path from the root. Everything may raise OSError."""

    def names(self) -> list:
        """Names in the folder, which is made if need be."""
        if FOLDER not in os.listdir(""):
            os.mkdir(FOLDER)
        return os.listdir(FOLDER)

    def open(self, path: str, mode: str):
        """The file; what is written is safe once flush() is back."""
        return open(path, mode)

    def size(self, path: str) -> int:
        """Bytes."""
        return os.stat(path)[6]

    def remove(self, path: str) -> None:
        """Delete the file."""
        os.remove(path)

    def free_kib(self) -> int:
        """Room that is left on the whole file system."""
        found = os.statvfs("")
        return found[0] * found[3] // 1024

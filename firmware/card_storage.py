"""The card's root directory, for the logbook."""

import vfs

from firmware.status import OK

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from typing import Any


def _nothing():
    pass


class CardStorage:
    """Files on the card, used directly and not through a mount point: so a lost card is simply begun anew.

    Made from the numbers of the card's bus and pins; `feed` is the watchdog's. Everything may raise OSError.
    """

    def __init__(self, spi: int, sck: int, mosi: int, miso: int, cs: int):
        self._wiring = (spi, sck, mosi, miso, cs)
        self._card: "Any" = None
        self._fs: "Any" = None
        self.feed: "Any" = _nothing

    def mount(self) -> None:
        """Start the card and read its file system. OSError without a card or without a FAT on it."""
        if self._card is None:
            from firmware.board import make_card

            self._card = make_card(*self._wiring, self.feed)
        self._fs = vfs.VfsFat(self._card)  # type: ignore[abstract]  # the stub says so, the port can

    def names(self) -> list:
        """Names in the root directory, without those that are no text: a cut may leave garbage there."""
        names = []
        entries = self._fs.ilistdir("")
        while True:
            try:
                names.append(next(entries)[0])
            except UnicodeError:
                pass
            except StopIteration:
                return names

    def open(self, name: str, mode: str):
        """The file, unbuffered: what is written in whole sectors goes straight to the card."""
        return self._fs.open(name, mode)

    def size(self, name: str) -> int:
        """Bytes, as the directory says."""
        return self._fs.stat(name)[6]

    def write(self, file, sector) -> bool:
        """Hand one sector to a file; True if the card took it. How that ends, settle() says."""
        card = self._card
        is_lazy = hasattr(card, "settle")
        try:
            if is_lazy:
                card.lazy = True
            return file.write(sector) == len(sector)
        finally:
            if is_lazy:
                card.lazy = False

    def settle(self) -> int:
        """How the latest write() ended: NOT_READY while the card is busy. A port's own driver waits itself."""
        card = self._card
        return card.settle() if hasattr(card, "settle") else OK

    def remove(self, name: str) -> None:
        """Delete the file."""
        self._fs.remove(name)

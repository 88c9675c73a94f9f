"""What a bus must offer, for type checkers and readers; nothing here runs, and nothing imports it on the board.

The shapes are those of MicroPython's `machine` and `onewire`. A missing acknowledgement is OSError(EIO), a stuck bus
OSError(ETIMEDOUT); both stop in the driver. Two underscores before a parameter tell a type checker that it is given by
place (MicroPython has no "/" for that).
"""

TYPE_CHECKING = False  # type checkers take this name as true
if TYPE_CHECKING:
    from typing import Protocol
else:
    Protocol = object


class I2CBus(Protocol):
    """machine.I2C, as far as the drivers use it."""

    def readfrom_into(self, __addr: int, __buf) -> None:
        """Fill `buf` from the chip."""

    def writeto(self, __addr: int, __buf) -> int:
        """Send `buf`, return the number of acknowledged bytes."""

    def readfrom_mem_into(self, __addr: int, __memaddr: int, __buf) -> None:
        """Write one register address, repeat the start, fill `buf`."""

    def writeto_mem(self, __addr: int, __memaddr: int, __buf) -> None:
        """Write one register address and then `buf`."""


class OneWireBus(Protocol):
    """onewire.OneWire, as far as the drivers use it."""

    def reset(self, __required: bool = False) -> bool:
        """Reset pulse; True if at least one part answers with a presence pulse."""

    def readbit(self) -> int:
        """One time slot read."""

    def readbyte(self) -> int:
        """Eight time slots read, lowest bit first."""

    def writebit(self, __value: int) -> None:
        """One time slot written."""

    def writebyte(self, __value: int) -> None:
        """Eight time slots written, lowest bit first."""

    def readinto(self, __buf) -> None:
        """Fill `buf`."""

    def write(self, __buf) -> None:
        """Send every byte of `buf`."""

    def select_rom(self, __rom) -> None:
        """Reset, MATCH ROM, and the 8 bytes of `rom`."""

    def scan(self) -> list:
        """All ROM codes on the wire, found by the search of the 1-wire protocol."""


class Uart(Protocol):
    """machine.UART with timeout=0: nothing waits."""

    def any(self) -> int:
        """Bytes received and not yet read."""

    def readinto(self, __buf, __nbytes: int):
        """Read at most `nbytes` into `buf`; the number read, or None."""

    def write(self, __buf):
        """Queue bytes for sending; the number taken, or None."""

    def init(self, baudrate: int) -> None:
        """Change the bit rate; what was received is lost."""


class Adc(Protocol):
    """machine.ADC."""

    def read_u16(self) -> int:
        """0 to 65535 for nought to full scale."""


class SpiBus(Protocol):
    """machine.SPI, mode 0, as far as the card driver uses it."""

    def init(self, baudrate: int) -> None:
        """Change the clock."""

    def write(self, __buf) -> None:
        """Send `buf`, drop what comes back."""

    def readinto(self, __buf, __write: int = 0) -> None:
        """Fill `buf` while sending `write` again and again."""


class OutputPin(Protocol):
    """machine.Pin as an output."""

    def __call__(self, __value: int) -> None:
        """0 low, 1 high."""


class BlockDevice(Protocol):
    """What vfs.VfsFat and the log want of a card: MicroPython's block protocol. Failures raise OSError."""

    def readblocks(self, __block: int, __buf, __offset: int = 0) -> None:
        """Fill `buf` from `block` on."""

    def writeblocks(self, __block: int, __buf, __offset: int = 0) -> None:
        """Write `buf` from `block` on."""

    def ioctl(self, __op: int, __arg: int):
        """3 sync, 4 number of blocks, 5 block size."""

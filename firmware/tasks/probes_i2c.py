"""A TMP117 thermometer of the box, as the thermometer task wants it."""

import struct

from firmware.core.framer import PAYLOAD, Frame
from firmware.status import OK
from shared_protocol.records import CHIP_TMP117, FINE_TEMPERATURE, I2C_PROBE

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.core.journal import Journal
    from firmware.drivers.tmp117 import TMP117


class I2cProbe:
    """One thermometer by its address; its serial number is read from the chip."""

    is_on_wire = False

    def __init__(self, driver: "TMP117", name: bytes):
        self._driver = driver
        self.name = name  # at most 8 bytes
        self._is_known = False
        self._frame = Frame(FINE_TEMPERATURE)
        self._probe_frame = Frame(I2C_PROBE)

    def begin(self) -> int:
        """Identify and configure it."""
        status = self._driver.begin()
        if status == OK:
            self._is_known = True
        return status

    def address(self) -> int:
        """On the I2C bus."""
        return self._driver.address

    def start(self) -> int:
        """Begin a conversion."""
        return self._driver.start()

    def read(self) -> int:
        """Fetch the finished conversion."""
        return self._driver.read()

    def word(self) -> int:
        """What was read last."""
        return self._driver.raw

    def put(self, journal: "Journal", number: int, flags: int, t_ms: int) -> None:
        """Write the reading."""
        struct.pack_into("<BBh", self._frame.buffer, PAYLOAD, number, flags, self._driver.raw)
        journal.put(self._frame, t_ms)

    def introduce(self, journal: "Journal", number: int, now_ms: int) -> None:
        """Write who it is, once that is known."""
        if self._is_known:
            driver = self._driver
            frame = self._probe_frame
            struct.pack_into(
                "<BBH8s8s", frame.buffer, PAYLOAD, number, CHIP_TMP117, driver.address, driver.serial, self.name
            )
            journal.put(frame, now_ms)

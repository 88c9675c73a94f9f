"""DS18B20 thermometers on one bus shaped like onewire.OneWire. Sections: Maxim data sheet DS18B20, 19-7487 Rev 6.

Every scratchpad carries a CRC-8, but nine zero bytes pass it: a bus held low reads 0.0 degC. The configuration byte
(byte 4) never is 0 on a real part, and that tells them apart.
"""

from firmware.status import ABSENT, AFTER_RESET, BUS_FAULT, CRC_FAULT, OK, WRONG_CHIP
from shared_protocol.compat import const

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.buses import OneWireBus

FAMILY = const(0x28)
CONVERSION_MS = const(750)  # longest 12-bit conversion ("Table 2: Thermometer Resolution Configuration")

_MATCH_ROM = const(0x55)
_SKIP_ROM = const(0xCC)
_CONVERT_T = const(0x44)
_READ_SCRATCHPAD = const(0xBE)
_POWER_ON_RAW = const(0x0550)  # +85 degC, what the register holds until the first conversion ("Table 1", note)

# CRC-8 of one nibble at a time, polynomial x^8 + x^5 + x^4 + 1, lowest bit first ("CRC GENERATION").
_CRC_LOW = bytes((0x00, 0x5E, 0xBC, 0xE2, 0x61, 0x3F, 0xDD, 0x83, 0xC2, 0x9C, 0x7E, 0x20, 0xA3, 0xFD, 0x1F, 0x41))
_CRC_HIGH = bytes((0x00, 0x9D, 0x23, 0xBE, 0x46, 0xDB, 0x65, 0xF8, 0x8C, 0x11, 0xAF, 0x32, 0xCA, 0x57, 0xE9, 0x74))


def crc8(data) -> int:
    """CRC-8 of 1-wire parts; over a ROM code or a scratchpad with its own CRC at the end it is 0."""
    crc = 0
    for value in data:
        crc ^= value
        crc = _CRC_LOW[crc & 0x0F] ^ _CRC_HIGH[crc >> 4]
    return crc


class ThermometerBus:
    """All DS18B20 on one wire, told apart by `roms`, which is sorted and only changes in begin().

    start() and read() never wait beyond the wire's own time slots, never raise and allocate nothing.
    """

    def __init__(self, onewire: "OneWireBus"):
        self._wire = onewire
        self._scratchpad = bytearray(9)
        self.is_stuck = False  # the wire was found held low; nothing is tried until clear() says that it is free
        self.roms: "list[bytes]" = []  # 8 bytes each, family code first
        self.raw = 0  # last good reading [1/16 degC], signed

    def begin(self) -> int:
        """Search the wire. ABSENT if no thermometer answers (`roms` is then empty), BUS_FAULT if the wire is stuck."""
        self.roms = []
        if not self.clear():
            return BUS_FAULT
        try:
            found = self._wire.scan()
        except OSError:
            return BUS_FAULT
        roms = []
        for rom in found:
            rom = bytes(rom)
            if len(rom) == 8 and rom[0] == FAMILY and crc8(rom) == 0 and rom not in roms:
                roms.append(rom)
        roms.sort()
        self.roms = roms
        return OK if roms else ABSENT

    def clear(self) -> bool:
        """Reset the wire, which brings every part on it to order, and look whether it is up afterwards; 1 ms.

        A wire held low looks like presence pulses without end; a search on it finds a part that is not there, over and
        over, for seconds.
        """
        wire = self._wire
        try:
            self.is_stuck = bool(wire.reset()) and not wire.readbit()
        except OSError:
            self.is_stuck = True
        return not self.is_stuck

    def start(self) -> int:
        """Begin a conversion in all thermometers at once; read them after CONVERSION_MS."""
        wire = self._wire
        if self.is_stuck:
            return BUS_FAULT
        try:
            if not wire.reset():
                return ABSENT
            wire.writebyte(_SKIP_ROM)
            wire.writebyte(_CONVERT_T)
        except OSError:
            return BUS_FAULT
        return OK

    def read(self, index: int) -> int:
        """Fetch the reading of `roms[index]` into `raw`.

        ABSENT: nothing answered the reset, or this ROM did not. CRC_FAULT: hurt on the wire. BUS_FAULT: wire held low.
        AFTER_RESET: exactly the power-on value; `raw` is set all the same, because 85.0 degC may also be true.
        """
        return self.read_rom(self.roms[index])

    def read_rom(self, rom) -> int:
        """As read(), for a thermometer whose ROM code is known from elsewhere."""
        wire = self._wire
        pad = self._scratchpad
        if self.is_stuck:
            return BUS_FAULT
        try:
            if not wire.reset():
                return ABSENT
            wire.writebyte(_MATCH_ROM)  # not select_rom(): that one resets again and hides who answered
            wire.write(rom)
            wire.writebyte(_READ_SCRATCHPAD)
            wire.readinto(pad)
        except OSError:
            return BUS_FAULT
        if crc8(pad) != 0:
            for value in pad:
                if value != 0xFF:
                    return CRC_FAULT
            return ABSENT  # nobody pulled the wire low: this ROM is not there
        # Bits 7 and 4..0 of the configuration register are 0 and ones by construction ("Figure 10").
        if pad[4] & 0x9F != 0x1F:
            for value in pad:
                if value != 0:
                    return WRONG_CHIP
            self.is_stuck = True
            return BUS_FAULT  # nine zero bytes: the wire is held low
        raw = pad[0] | pad[1] << 8
        if raw & 0x8000:
            raw -= 0x10000
        # Below 12 bits the lowest bits are undefined ("Figure 4"): configuration bits 6..5 = 0 leaves 9 bits.
        self.raw = raw & -(8 >> (pad[4] >> 5 & 3))
        return AFTER_RESET if raw == _POWER_ON_RAW else OK

"""Thermometer DS18B20 on the 1-wire bus (Maxim/Analog Devices data sheet DS18B20, 19-7487).

Behaves at the level of bits as the data sheet's flow charts do: ROM commands first (search, read, match, skip),
then one function command. Whole bytes have a path of their own, since a flight consists of them.

Error of a specimen (`stated_error`): +-0.5 degC from -10 to +85 degC, +-2.0 degC over -55 to +125 degC. The seed
picks an offset within +-0.4 degC, and a slope below -10 degC that adds at most 1.2 degC at -55 degC. Below -55 degC,
where the data sheet says nothing, this chip goes on in the same straight line (an assumption).

Strict: an unknown ROM or function command, a scratchpad read while a conversion runs, a scratchpad write of another
length than three bytes, a function without a ROM command. Each is noted; the chip then does what a real one would:
it stays silent, or gives the old value.
"""

from ground.simulator.board.noise import Noise

FAMILY = 0x28
_SEARCH, _READ_ROM, _MATCH, _SKIP, _ALARM_SEARCH = 0xF0, 0x33, 0x55, 0xCC, 0xEC
_CONVERT, _WRITE, _READ, _COPY, _RECALL, _SUPPLY = 0x44, 0x4E, 0xBE, 0x48, 0xB8, 0xB4
_CONVERSION_US = (93750, 187500, 375000, 750000)  # maximum for 9, 10, 11, 12 bits
_POWER_ON_RAW = 0x0550  # +85 degC
_NOISE_C = 0.02  # standard deviation, a third of the last bit (an assumption; the data sheet gives none)

stated_error = {"temperature_c": 0.5, "temperature_c_full_range": 2.0, "offset_c": 0.4, "cold_slope_c": 1.2}

# What the chip waits for. A chip that is not addressed waits for nothing until the next reset.
_ASLEEP, _ROM_COMMAND, _ROM_MATCH, _ROM_SEARCH, _FUNCTION, _TALK, _LISTEN, _BUSY = range(8)


class VirtualDs18b20:
    """One thermometer.

    Parameters
    ----------
    column : str
        Column of the source with the true temperature of the element. [degC]
    rom : bytes or None
        Eight bytes, family first and CRC last; None makes one from seed and name.
    offset_c : float
        Error of this specimen beyond the seeded one. [degC]
    """

    def __init__(self, clock, source, ledger, seed=0, name="outside", column="probe_outside_c", rom=None,
                 offset_c=0.0, ideal=False, boot=1):
        self.name = name
        self._clock = clock
        self._source = source
        self._ledger = ledger
        self._column = source.column(column)
        specimen = Noise(seed, "ds18b20/" + name)
        self.rom = bytes(rom) if rom else made_up_rom(seed, name)
        self._rom_bits = int.from_bytes(self.rom, "little")
        self.offset_c = 0.0 if ideal else specimen.uniform(-stated_error["offset_c"], stated_error["offset_c"])
        cold = stated_error["cold_slope_c"] / 45
        self.cold_slope = 0.0 if ideal else specimen.uniform(-cold, cold)  # degC per degC below -10
        self.offset_c += offset_c
        self._noise_c = 0.0 if ideal else _NOISE_C
        self._noise = Noise(seed, "ds18b20/%s/boot%d" % (name, boot))
        self._memory = bytearray((0x4B, 0x46, 0x7F))  # EEPROM: TH, TL, configuration; 12 bits
        self.late_us = 0  # bench door: each conversion takes so much longer than the data sheet allows
        self.power_on()

    # --- bench door ------------------------------------------------------------------------------------------

    def power_on(self):
        """Supply applied: +85 degC in the scratchpad, alarm and configuration bytes recalled from EEPROM."""
        self.scratchpad = bytearray(9)
        self._set_raw(_POWER_ON_RAW)
        self.scratchpad[2:5] = self._memory
        self.scratchpad[5:8] = b"\xff\x0c\x10"
        self._done_us = 0
        self._pending_raw = None
        self._state = _ASLEEP
        self._bits_heard = self._bit_count = 0
        self._byte_said = self._bits_left = self._heard_count = self._said_count = 0
        self._talk = b""

    def save(self):
        self._settle()
        return {"scratchpad": list(self.scratchpad), "memory": list(self._memory), "done_us": self._done_us,
                "pending_raw": self._pending_raw}

    def restore(self, state):
        self.scratchpad = bytearray(state["scratchpad"])
        self._memory = bytearray(state["memory"])
        self._done_us = state["done_us"]
        self._pending_raw = state["pending_raw"]

    def restore_cold(self, state):
        """What outlasts a power cut: the three bytes of EEPROM."""
        self._memory = bytearray(state["memory"])
        self.power_on()

    def specimen(self):
        return {"chip": "ds18b20", "name": self.name, "rom": self.rom.hex(), "offset_c": self.offset_c,
                "cold_slope": self.cold_slope}

    def raw_of(self, celsius):
        """Raw word, 1/16 degC, of a true temperature as this specimen converts it now."""
        wrong = self.offset_c
        if celsius < -10:
            wrong += self.cold_slope * (-10 - celsius)
        if self._noise_c:
            wrong += self._noise.gauss() * self._noise_c
        steps = (celsius + wrong) * 16
        raw = max(-2048, min(2047, int(steps + 0.5) if steps >= 0 else -int(0.5 - steps)))
        undefined_bits = 3 - (self.scratchpad[4] >> 5 & 3)
        return raw >> undefined_bits << undefined_bits

    # --- bus door: bits, and whole bytes when nothing is half done --------------------------------------------

    def reset(self):
        """Reset pulse seen; the chip answers with its presence and waits for a ROM command."""
        if self._state == _LISTEN and self._heard_count not in (3, 0):
            self._object("scratchpad write of %d bytes; it takes three" % self._heard_count)
        self._state = _ROM_COMMAND
        self._bits_heard = self._bit_count = 0
        self._bits_left = 0

    def listens(self):
        return self._state != _ASLEEP

    def write_byte(self, value):
        state = self._state
        if state == _ROM_MATCH:
            index = self._heard_count
            if value != self.rom[index]:
                self._state = _ASLEEP
            elif index == 7:
                self._state = _FUNCTION
            self._heard_count = index + 1
        elif state == _FUNCTION:
            self._function(value)
        elif state == _ROM_COMMAND:
            self._rom_command(value)
        elif state == _LISTEN:
            self._write_scratchpad(value)
        elif state != _ASLEEP:
            self._object("byte 0x%02X written where the chip talks" % value)
            self._state = _ASLEEP

    def read_byte(self):
        """The next byte this chip puts on the bus; 0xFF (a released bus) when it has nothing to say."""
        if self._state == _TALK and self._bits_left == 0:
            return self._next_byte()
        if self._state == _BUSY and (self._pending_raw is None or self._clock.now_us >= self._done_us):
            return 0xFF
        if self._state == _ASLEEP:
            return 0xFF
        value = 0
        for index in range(8):
            value |= self.read_bit() << index
        return value

    def write_bit(self, bit):
        if self._state == _ROM_SEARCH:
            self._search_choice(bit)
            return
        self._bits_heard |= bit << self._bit_count
        self._bit_count += 1
        if self._bit_count == 8:
            value = self._bits_heard
            self._bits_heard = self._bit_count = 0
            self.write_byte(value)

    def read_bit(self):
        state = self._state
        if state == _ROM_SEARCH:
            return self._search_bit()
        if state == _BUSY:
            return 1 if self._pending_raw is None or self._clock.now_us >= self._done_us else 0
        if state != _TALK:
            if state not in (_ASLEEP, _ROM_COMMAND):
                self._object("read where the chip listens")
            return 1
        if self._bits_left == 0:
            self._byte_said = self._next_byte()
            self._bits_left = 8
        self._bits_left -= 1
        bit = self._byte_said & 1
        self._byte_said >>= 1
        return bit

    def _object(self, what):
        self._ledger.object(self.name, what)

    def _next_byte(self):
        index = self._said_count
        self._said_count = index + 1
        return self._talk[index] if index < len(self._talk) else 0xFF

    def _say(self, data):
        self._talk = data
        self._said_count = self._bits_left = 0
        self._state = _TALK

    def _rom_command(self, command):
        self._heard_count = 0
        if command == _MATCH:
            self._state = _ROM_MATCH
        elif command == _SKIP:
            self._state = _FUNCTION
        elif command == _SEARCH:
            self._search_index = self._search_step = 0
            self._state = _ROM_SEARCH
        elif command == _READ_ROM:
            self._say(self.rom)
        else:
            if command != _ALARM_SEARCH:  # alarms are not modelled: no chip ever answers this search
                self._object("unknown ROM command 0x%02X" % command)
            self._state = _ASLEEP

    def _search_bit(self):
        """Bit, then its complement, of the ROM position under search."""
        bit = self._rom_bits >> self._search_index & 1
        self._search_step += 1
        return bit if self._search_step == 1 else bit ^ 1

    def _search_choice(self, bit):
        if self._search_step != 2:
            self._object("search: a direction was written before both bits were read")
        self._search_step = 0
        if self._rom_bits >> self._search_index & 1 != bit:
            self._state = _ASLEEP
            return
        self._search_index += 1
        if self._search_index == 64:
            self._state = _FUNCTION

    def _function(self, command):
        if command == _CONVERT:
            self._settle()
            if self._pending_raw is not None:
                self._object("a conversion was started during another one")
            now_us = self._clock.now_us
            self._pending_raw = self.raw_of(self._source.at(self._column, now_us))
            self._done_us = now_us + _CONVERSION_US[self.scratchpad[4] >> 5 & 3] + self.late_us
            self._state = _BUSY
        elif command == _READ:
            self._settle()
            if self._pending_raw is not None:
                left_us = self._done_us - self._clock.now_us
                self._object("scratchpad read %d us before the end of the conversion" % left_us)
            self.scratchpad[8] = crc8(self.scratchpad, 8)
            self._say(bytes(self.scratchpad))
        elif command == _WRITE:
            self._heard_count = 0
            self._state = _LISTEN
        elif command == _COPY:
            self._memory[:] = self.scratchpad[2:5]
            self._state = _BUSY
        elif command == _RECALL:
            self.scratchpad[2:5] = self._memory
            self._state = _BUSY
        elif command == _SUPPLY:
            self._say(b"\xff")  # externally powered
        else:
            self._object("unknown function command 0x%02X" % command)
            self._state = _ASLEEP

    def _write_scratchpad(self, value):
        index = self._heard_count
        self._heard_count = index + 1
        if index == 2:
            value = value & 0x60 | 0x1F  # only the two resolution bits can be written
        if index < 3:
            self.scratchpad[2 + index] = value
        else:
            self._object("scratchpad write of more than three bytes")
            self._state = _ASLEEP

    def _settle(self):
        """Put a conversion that has ended into the scratchpad."""
        if self._pending_raw is not None and self._clock.now_us >= self._done_us:
            self._set_raw(self._pending_raw)
            self._pending_raw = None

    def _set_raw(self, raw):
        self.scratchpad[0] = raw & 0xFF
        self.scratchpad[1] = raw >> 8 & 0xFF


def made_up_rom(seed, name):
    """A ROM code for a chip that the scenario gives none: family, serial number by chance, CRC."""
    serial = bytes([FAMILY]) + Noise(seed, "rom/" + name).bytes(6)
    return serial + bytes([crc8(serial)])


def _crc8_table():
    table = bytearray(256)
    for value in range(256):
        crc = value
        for _ in range(8):
            crc = crc >> 1 ^ 0x8C if crc & 1 else crc >> 1
        table[value] = crc
    return table


_CRC8 = _crc8_table()


def crc8(data, length=None):
    """CRC-8 of the 1-wire parts: x8 + x5 + x4 + 1, bits reflected, start 0 (Maxim application note 27)."""
    crc = 0
    for index in range(len(data) if length is None else length):
        crc = _CRC8[crc ^ data[index]]
    return crc

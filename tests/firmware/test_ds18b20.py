"""DS18B20 driver: ROMs, scratchpads, and the four ways in which a wire can lie."""

import pytest

from firmware.drivers.ds18b20 import ThermometerBus, crc8
from firmware.status import ABSENT, AFTER_RESET, BUS_FAULT, CRC_FAULT, OK, WRONG_CHIP
from tests.check_values import check_value
from tests.firmware.driver_faults import CountingBus, DeadBus
from tests.interpreters import INTERPRETERS, run


def rom_of(serial, family=0x28):
    body = bytes([family]) + serial.to_bytes(6, "little")
    return body + bytes([crc8(body)])


def pad_of(raw, configuration=0x7F):
    body = bytes([raw & 0xFF, raw >> 8 & 0xFF, 0x4B, 0x46, configuration, 0xFF, 0x0C, 0x10])
    return body + bytes([crc8(body)])


class Wire:
    """A 1-wire bus with thermometers on it; every byte must come in the order of the data sheet."""

    def __init__(self, pads=None, extra_roms=()):
        self.pads = dict(pads or {})
        self.extra_roms = list(extra_roms)
        self.held_low = False
        self.sent = None  # bytes since the last reset
        self.answer = b""
        self.conversions = 0

    def scan(self):
        found = [bytearray(rom) for rom in list(self.pads) + self.extra_roms]
        return found[::-1]  # no order is promised

    def reset(self, required=False):
        self.sent = b""
        self.answer = b""
        return self.held_low or bool(self.pads)

    def readbit(self):
        assert self.sent == b"", "a slot in the middle of something"
        return 0 if self.held_low else 1

    def writebyte(self, value):
        assert self.sent is not None, "no reset before a command"
        self.sent += bytes([value])
        sent = self.sent
        if sent == b"\xcc\x44":
            self.conversions += 1
        elif len(sent) == 10 and sent[0] == 0x55:
            assert sent[9] == 0xBE, "unknown function command"
            self.answer = self.pads.get(sent[1:9], b"\xff" * 9)
        else:
            assert sent[0] in (0xCC, 0x55) and len(sent) < 10, sent.hex()

    def write(self, buf):
        for value in bytes(buf):
            self.writebyte(value)

    def readinto(self, buf):
        assert len(buf) <= len(self.answer), "read of what nobody was asked for"
        for i in range(len(buf)):
            buf[i] = 0 if self.held_low else self.answer[i]


def test_crc8_of_the_application_note_and_of_scratchpads():
    case = check_value("onewire.crc8.rom")
    assert crc8(bytes.fromhex(case["inputs"]["bytes_in_bus_order"])) == int(case["expected"]["crc"], 16)
    case = check_value("onewire.crc8.scratchpad")
    assert crc8(bytes.fromhex(case["inputs"]["bytes"])) == int(case["expected"]["crc"], 16)
    case = check_value("onewire.crc8.scratchpad.negative")
    for data, crc in zip(case["inputs"]["bytes"], case["expected"]["crc"], strict=True):
        assert crc8(bytes.fromhex(data)) == int(crc, 16)


def test_temperatures_of_the_data_sheet():
    case = check_value("ds18b20.table")
    rom = rom_of(1)
    for code, temperature in zip(case["inputs"]["code"], case["expected"]["T_C"], strict=True):
        bus = ThermometerBus(Wire({rom: pad_of(int(code, 16))}))
        bus.begin()
        status = bus.read(0)
        assert bus.raw / 16 == temperature
        assert status == (AFTER_RESET if code == "0550" else OK)


def test_thermometers_are_told_apart_by_their_rom_in_sorted_order():
    roms = [rom_of(serial) for serial in (0x300000000001, 7, 0x0000FF0000FF)]
    wire = Wire({rom: pad_of(16 * k) for k, rom in enumerate(roms)})
    bus = ThermometerBus(wire)
    assert bus.begin() == OK
    assert bus.roms == sorted(roms)
    for index, rom in enumerate(bus.roms):
        assert bus.read(index) == OK
        assert bus.raw == 16 * roms.index(rom)
        assert bus.read_rom(rom) == OK


def test_other_families_and_hurt_roms_are_no_thermometers():
    hurt = bytearray(rom_of(9))
    hurt[3] ^= 4
    wire = Wire({rom_of(5): pad_of(100)}, extra_roms=[rom_of(6, family=0x01), bytes(hurt), bytes(8)])
    bus = ThermometerBus(wire)
    assert bus.begin() == OK
    assert bus.roms == [rom_of(5)]


def test_one_command_starts_all():
    wire = Wire({rom_of(1): pad_of(1), rom_of(2): pad_of(2)})
    bus = ThermometerBus(wire)
    bus.begin()
    assert bus.start() == OK
    assert wire.conversions == 1


def test_an_empty_wire_is_absent():
    bus = ThermometerBus(Wire())
    assert bus.begin() == ABSENT
    assert bus.start() == ABSENT
    assert bus.read_rom(rom_of(1)) == ABSENT


def test_a_thermometer_that_went_missing_among_others_is_absent_and_keeps_the_value():
    wire = Wire({rom_of(1): pad_of(11), rom_of(2): pad_of(22)})
    bus = ThermometerBus(wire)
    bus.begin()
    bus.read(0)
    del wire.pads[rom_of(2)]
    assert bus.read(1) == ABSENT
    assert bus.raw == 11


def test_nine_zero_bytes_of_a_wire_held_low_are_refused():
    assert check_value("onewire.trap.shorted_bus")["expected"]["crc_ok"] is True
    wire = Wire({rom_of(1): pad_of(11)})
    bus = ThermometerBus(wire)
    bus.begin()
    bus.raw = 11
    wire.held_low = True
    assert bus.read(0) == BUS_FAULT
    assert bus.raw == 11


def test_a_wire_found_held_low_is_left_alone_until_it_is_free():
    wire = Wire({rom_of(1): pad_of(11)})
    bus = ThermometerBus(wire)
    bus.begin()
    wire.held_low = True
    assert bus.read(0) == BUS_FAULT and bus.is_stuck
    wire.reset = None  # not even a reset: each costs a millisecond and more
    assert (bus.start(), bus.read(0)) == (BUS_FAULT, BUS_FAULT)
    del wire.reset
    assert not bus.clear() and bus.is_stuck
    wire.held_low = False
    assert bus.clear() and not bus.is_stuck
    assert (bus.start(), bus.read(0)) == (OK, OK)


def test_a_wire_held_low_is_not_searched():
    wire = Wire({rom_of(1): pad_of(11)})
    wire.held_low = True
    wire.scan = None  # finds a part that is not there, for seconds
    bus = ThermometerBus(wire)
    assert bus.begin() == BUS_FAULT
    assert bus.roms == []


def test_a_scratchpad_of_another_part_is_refused():
    bus = ThermometerBus(Wire({rom_of(1): pad_of(11, configuration=0x00)}))
    bus.begin()
    assert bus.read(0) == WRONG_CHIP


def test_every_flipped_bit_of_a_scratchpad_is_noticed():
    rom = rom_of(1)
    wire = Wire({rom: pad_of(-400)})
    bus = ThermometerBus(wire)
    bus.begin()
    for bit in range(72):
        pad = bytearray(pad_of(-400))
        pad[bit // 8] ^= 1 << bit % 8
        wire.pads[rom] = bytes(pad)
        assert bus.read(0) == CRC_FAULT
        assert bus.raw == 0


@pytest.mark.parametrize(("configuration", "raw"), [(0x1F, 0x0198), (0x3F, 0x019C), (0x5F, 0x019E), (0x7F, 0x019F)])
def test_bits_that_are_undefined_at_a_lower_resolution_are_cleared(configuration, raw):
    bus = ThermometerBus(Wire({rom_of(1): pad_of(0x019F, configuration)}))
    bus.begin()
    assert bus.read(0) == OK
    assert bus.raw == raw


def test_a_failure_at_any_bus_call_is_a_status():
    rom = rom_of(1)
    counter = CountingBus(Wire({rom: pad_of(5)}))
    bus = ThermometerBus(counter)
    assert (bus.begin(), bus.start(), bus.read(0)) == (OK, OK, OK)
    for place in range(1, counter.calls + 1):
        bus = ThermometerBus(CountingBus(Wire({rom: pad_of(5)}), place))
        assert BUS_FAULT in (bus.begin(), bus.start(), bus.read_rom(rom))
    assert ThermometerBus(DeadBus()).begin() == BUS_FAULT


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_reading_allocates_nothing(interpreter):
    rom = rom_of(1)
    out = run(
        f"""
try:
    from micropython import heap_lock, heap_unlock
except ImportError:
    def heap_lock(): pass
    heap_unlock = heap_lock
from firmware.drivers.ds18b20 import ThermometerBus
PAD = {pad_of(-400)!r}
class Wire:
    def scan(self): return [bytearray({rom!r})]
    def reset(self, required=False): return True
    def readbit(self): return 1
    def writebyte(self, value): pass
    def write(self, buf): pass
    def readinto(self, buf):
        for i in range(9): buf[i] = PAD[i]
bus = ThermometerBus(Wire())
bus.begin()
result = [0]
def turns():
    for _ in range(100):
        result[0] += bus.start() + bus.read(0)
heap_lock()
try:
    turns()
finally:
    heap_unlock()
print(result[0], bus.raw)
""",
        interpreter,
    )
    assert out.split() == ["0", "-400"]

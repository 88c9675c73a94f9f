"""The virtual DS18B20 and its wire: against check values, and read by libraries from elsewhere."""

import importlib
import sys
import types

import pytest

from ground.simulator.board.chips import ds18b20
from ground.simulator.board.chips.ds18b20 import VirtualDs18b20, crc8, made_up_rom
from tests.check_values import check_value
from tests.simulator.bench import ChipBench

ROMS = [bytes.fromhex("28") + bytes([n, 1, 2, 3, 4, n ^ 0x55]) for n in (1, 2, 3, 0x81, 0x82)]
ROMS = [rom + bytes([crc8(rom)]) for rom in ROMS]


def on_the_bench(*celsius, **parameters):
    bench = ChipBench(**{f"t{k}": value for k, value in enumerate(celsius)})
    chips = [
        bench.chip(VirtualDs18b20, name=f"probe{k}", column=f"t{k}", **{"rom": ROMS[k], "ideal": True} | parameters)
        for k in range(len(celsius))
    ]
    return bench, chips, bench.onewire(chips)


def convert_all(bench, wire, wait_ms=760):
    wire.reset()
    wire.writebyte(0xCC)
    wire.writebyte(0x44)
    bench.clock.sleep_ms(wait_ms)


def scratchpad(wire, rom):
    buf = bytearray(9)
    wire.select_rom(rom)
    wire.writebyte(0xBE)
    wire.readinto(buf)
    return bytes(buf)


@pytest.mark.parametrize("row", range(10))
def test_the_data_sheets_temperatures_give_its_codes(row):
    entry = check_value("ds18b20.table")
    code, celsius = entry["inputs"]["code"][row], entry["expected"]["T_C"][row]
    bench, _, wire = on_the_bench(celsius)
    convert_all(bench, wire)
    data = scratchpad(wire, ROMS[0])
    assert data[1::-1].hex().upper() == code
    assert crc8(data) == 0
    assert bench.objections == []


@pytest.mark.parametrize("which", ["scratchpad", "scratchpad.negative", "rom", "rom.made_up"])
def test_crc_is_that_of_the_check_values(which):
    entry = check_value("onewire.crc8." + which)
    inputs, crcs = next(iter(entry["inputs"].values())), entry["expected"]["crc"]
    for data, crc in zip(*([value] if isinstance(value, str) else value for value in (inputs, crcs)), strict=True):
        assert crc8(bytes.fromhex(data)) == int(crc, 16)


def test_power_on_reads_85_degrees_and_the_factory_configuration():
    bench, _, wire = on_the_bench(-40.0)
    assert scratchpad(wire, ROMS[0])[:8] == bytes.fromhex("50054B467FFF0C10")
    assert bench.objections == []


@pytest.mark.parametrize("count", [1, 2, 3, 5])
def test_a_search_finds_every_chip_on_the_wire(count):
    _, _, wire = on_the_bench(*[20.0] * count)
    assert sorted(bytes(rom) for rom in wire.scan()) == sorted(ROMS[:count])


def test_a_search_on_an_empty_wire_finds_nothing():
    bench = ChipBench()
    wire = bench.onewire([])
    assert wire.reset() is False
    assert wire.scan() == []


def test_each_chip_answers_for_itself():
    bench, _, wire = on_the_bench(-52.5, 21.25)
    convert_all(bench, wire)
    assert int.from_bytes(scratchpad(wire, ROMS[0])[:2], "little", signed=True) == -840
    assert int.from_bytes(scratchpad(wire, ROMS[1])[:2], "little", signed=True) == 340


def test_nobody_answers_to_a_rom_that_is_not_there():
    bench, _, wire = on_the_bench(20.0, 21.0)
    assert scratchpad(wire, ROMS[3]) == b"\xff" * 9
    assert bench.objections == []


def test_two_chips_that_talk_at_once_are_a_wired_and():
    bench, _, wire = on_the_bench(10.0, 20.0)
    convert_all(bench, wire)
    wire.reset()
    wire.writebyte(0xCC)
    wire.writebyte(0xBE)
    assert wire.readbyte() == (160 & 320) & 0xFF


def test_the_wire_says_busy_until_the_conversion_has_ended():
    bench, _, wire = on_the_bench(20.0)
    convert_all(bench, wire, wait_ms=0)
    assert wire.readbit() == 0
    bench.clock.sleep_ms(740)
    assert wire.readbit() == 0
    bench.clock.sleep_ms(10)
    assert wire.readbit() == 1


def test_reading_during_a_conversion_gives_the_old_value_and_an_objection():
    bench, _, wire = on_the_bench(20.0)
    convert_all(bench, wire, wait_ms=600)
    assert scratchpad(wire, ROMS[0])[:2] == b"\x50\x05"
    assert "before the end of the conversion" in bench.objections[0]


@pytest.mark.parametrize(("bits", "wait_ms", "step"), [(9, 94, 8), (10, 188, 4), (11, 376, 2), (12, 750, 1)])
def test_a_coarser_resolution_is_quicker(bits, wait_ms, step):
    bench, _, wire = on_the_bench(21.9375)
    wire.select_rom(ROMS[0])
    wire.write(bytes([0x4E, 0, 0, bits - 9 << 5 | 0x1F]))
    convert_all(bench, wire, wait_ms)
    data = scratchpad(wire, ROMS[0])
    assert data[4] == bits - 9 << 5 | 0x1F
    assert int.from_bytes(data[:2], "little") == 351 // step * step
    assert bench.objections == []


def test_configuration_lives_in_eeprom_only_after_a_copy():
    _, chips, wire = on_the_bench(20.0)
    wire.select_rom(ROMS[0])
    wire.write(b"\x4e\x00\x00\x1f")
    chips[0].power_on()
    assert scratchpad(wire, ROMS[0])[4] == 0x7F
    wire.select_rom(ROMS[0])
    wire.write(b"\x4e\x00\x00\x1f")
    wire.select_rom(ROMS[0])
    wire.writebyte(0x48)
    chips[0].power_on()
    assert scratchpad(wire, ROMS[0])[4] == 0x1F


@pytest.mark.parametrize("start", [b"\xcc\x99", b"\x12"])
def test_an_unknown_command_is_objected_to(start):
    bench, _, wire = on_the_bench(20.0)
    wire.reset()
    wire.write(start)
    assert len(bench.objections) == 1
    assert wire.readbyte() == 0xFF


def test_a_short_scratchpad_write_is_objected_to():
    bench, _, wire = on_the_bench(20.0)
    wire.select_rom(ROMS[0])
    wire.write(b"\x4e\x00")
    wire.reset()
    assert bench.objections == ["scratchpad write of 1 bytes; it takes three"]


def test_specimens_stay_within_the_stated_error():
    for seed in range(30):
        bench = ChipBench(probe_outside_c=20.0)
        chip = bench.chip(VirtualDs18b20, seed=seed)
        for celsius, allowed in ((85.0, 0.5), (20.0, 0.5), (-10.0, 0.5), (-30.0, 2.0), (-55.0, 2.0)):
            assert abs(chip.raw_of(celsius) / 16 - celsius) <= allowed + 0.1  # a bit of noise and rounding
        assert chip.rom == made_up_rom(seed, "outside")
        assert crc8(chip.rom) == 0
    assert ds18b20.stated_error["temperature_c"] == 0.5


def test_a_shorted_wire_reads_zeros_with_a_good_crc():
    """The trap of check value onewire.trap.shorted_bus: nine zero bytes pass the CRC."""
    _, _, wire = on_the_bench(20.0)
    wire._wire.shorted = True
    assert wire.reset() is True
    assert scratchpad(wire, ROMS[0]) == bytes(9)
    assert wire.crc8(bytes(9)) == 0


class _WireOfAnotherLibrary:
    """onewireio.OneWire as those libraries know it: single bits, and a reset that says True for nobody there."""

    def __init__(self, pin):
        self._wire = pin

    def reset(self):
        return not self._wire.reset()

    def read_bit(self):
        return self._wire.readbit()

    def write_bit(self, value):
        self._wire.writebit(value)


@pytest.fixture
def libraries(monkeypatch):
    """adafruit-circuitpython-onewire and -ds18x20 (PyPI) on our wire; all they want of hardware is three calls."""
    module = types.ModuleType("onewireio")
    module.OneWire = _WireOfAnotherLibrary
    monkeypatch.setitem(sys.modules, "onewireio", module)
    constants = types.ModuleType("micropython")
    constants.const = lambda value: value
    monkeypatch.setitem(sys.modules, "micropython", constants)
    for name in ("adafruit_onewire.bus", "adafruit_onewire.device", "adafruit_ds18x20"):
        monkeypatch.delitem(sys.modules, name, raising=False)
        pytest.importorskip(name)
    return importlib.import_module("adafruit_onewire.bus"), importlib.import_module("adafruit_ds18x20")


@pytest.mark.parametrize("celsius", [-55.0, -54.9375, -10.125, -0.0625, 0.0, 25.0625, 85.0, 125.0])
def test_libraries_from_elsewhere_find_the_chips_and_read_the_bench(celsius, libraries):
    bus_module, driver = libraries
    bench, _, wire = on_the_bench(celsius, 20.0)
    bus = bus_module.OneWireBus(wire)
    found = {bytes(address.rom): address for address in bus.scan()}
    assert sorted(found) == sorted(ROMS[:2])
    assert bus.crc8(found[ROMS[0]].rom) == 0
    sensor = driver.DS18X20(bus, found[ROMS[0]])
    assert sensor.resolution == 12
    assert sensor.temperature == celsius
    assert bench.objections == []


@pytest.mark.parametrize("bits", [9, 10, 11, 12])
def test_libraries_from_elsewhere_set_the_resolution(bits, libraries):
    bus_module, driver = libraries
    bench, _, wire = on_the_bench(21.9375)
    bus = bus_module.OneWireBus(wire)
    sensor = driver.DS18X20(bus, bus.scan()[0])
    sensor.resolution = bits
    assert sensor.resolution == bits
    assert sensor.temperature == 21.9375 // (0.5 / 2 ** (bits - 9)) * (0.5 / 2 ** (bits - 9))
    assert bench.objections == []

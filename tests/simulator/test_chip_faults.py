"""Faults of chips and buses, by the doors that are the same for all: what the bus then carries, and what comes back."""

import pytest

from ground.errors import InputError
from ground.simulator.board import chip_faults, pins
from ground.simulator.board.assembly import ADC_CHIPS, I2C_CHIPS, ONEWIRE_CHIPS, Board
from ground.simulator.board.i2c import I2C
from ground.simulator.board.onewire_bus import OneWire
from ground.simulator.board.world_rows import Bench
from ground.simulator.board_description import fault_descriptions
from tests.simulator.flights import scenario_with

S = 1_000_000
WIRING = {"i2c_sda": 4, "i2c_scl": 5, "onewire_pin": 22, "gnss_tx": 8, "gnss_rx": 9, "battery_pin": 26}
CHIPS = [
    {"chip": "ms5611", "name": "pressure", "address": 0x77},
    {"chip": "ina219", "name": "panel", "address": 0x40},
    {"chip": "tmp117", "name": "fine", "address": 0x48, "column": "probe_inside_c"},
    {"chip": "ds18b20", "name": "outside", "column": "probe_outside_c"},
    {"chip": "adc", "name": "battery", "pin": 26},
]
WORLD = {
    "pressure_hpa": 500.0,
    "box_c": 10.0,
    "probe_outside_c": -20.0,
    "probe_inside_c": 12.0,
    "panel_bus_v": 5.0,
    "panel_current_ma": 80.0,
    "battery_v": 4.8,
    "box_humidity_pct": 40.0,
}


@pytest.fixture
def make(monkeypatch, tmp_path):
    def made(faults=(), boot_us=0):
        image = tmp_path / "card.img"
        image.write_bytes(bytes(1 << 20))
        monkeypatch.setattr("ground.simulator.board.card.Card.read_layout", lambda self: None)
        description = {
            "boot": 1,
            "seed": 3,
            "start_us": boot_us,
            "cause": "power",
            "wiring": WIRING,
            "chips": CHIPS,
            "card": str(image),
            "faults": list(faults),
            "world": {},
        }
        board = Board(description, Bench(**WORLD))
        bus = I2C(0, sda=4, scl=5, freq=400_000, timeout=5000)
        return board, bus, OneWire(22)

    return made


def config_of(bus):
    return int.from_bytes(bus.readfrom_mem(0x40, 0, 2), "big")


def scratchpad(wire, rom):
    assert wire.reset()
    wire.writebyte(0x55)
    wire.write(rom)
    wire.writebyte(0xBE)
    buf = bytearray(9)
    wire.readinto(buf)
    return bytes(buf)


def test_every_chip_has_what_the_doors_need():
    """A source and a chance to be stilled, and a state to be lost."""
    for cls in {**I2C_CHIPS, **ONEWIRE_CHIPS, **ADC_CHIPS}.values():
        text = cls.__init__.__code__.co_names
        assert "_source" in text and "_noise" in text, cls
        assert hasattr(cls, "power_on") or cls in ADC_CHIPS.values(), cls


def test_a_missing_chip_is_away_for_its_time_and_comes_back_as_new(make):
    board, bus, _ = make([{"kind": "missing_chip", "chip": "panel", "at_us": 5 * S, "for_us": 2 * S}])
    bus.writeto_mem(0x40, 0, b"\x3e\xef")
    assert config_of(bus) == 0x3EEF
    board.clock.advance(6 * S)
    with pytest.raises(OSError):
        config_of(bus)
    board.clock.advance(2 * S)
    assert config_of(bus) == 0x399F


def test_a_boot_in_the_middle_of_a_fault_finds_it_there_and_one_after_it_does_not(make):
    fault = {"kind": "missing_chip", "chip": "panel", "at_us": 5 * S, "for_us": 2 * S}
    with pytest.raises(OSError):
        config_of(make([fault], boot_us=6 * S)[1])
    assert config_of(make([fault], boot_us=8 * S)[1]) == 0x399F


def test_another_part_answers_everything_with_the_same_bytes(make):
    board, bus, wire = make(
        [
            {"kind": "wrong_id", "chip": "panel", "at_us": S, "for_us": 5 * S},
            {"kind": "wrong_id", "chip": "outside", "at_us": S, "for_us": 5 * S},
        ]
    )
    rom = board.chips["outside"].rom
    assert [bytes(found) for found in wire.scan()] == [rom]
    board.clock.advance(2 * S)
    bus.writeto_mem(0x40, 0, b"\x3e\xef")
    assert config_of(bus) not in (0x3EEF, 0x399F)
    (found,) = wire.scan()
    assert found[0] == 0x28 and bytes(found) != rom
    assert scratchpad(wire, rom) == b"\xff" * 9
    board.clock.advance(5 * S)
    assert config_of(bus) == 0x399F
    assert [bytes(found) for found in wire.scan()] == [rom]


def test_a_swapped_chip_answers_at_the_same_address(make):
    board, bus, _ = make([{"kind": "swapped_chip", "chip": "pressure", "by": "bmp280", "at_us": S, "for_us": 5 * S}])
    board.clock.advance(2 * S)
    assert bus.readfrom_mem(0x77, 0xD0, 1) == b"\x58"
    board.clock.advance(5 * S)
    bus.writeto(0x77, b"\x1e")


def test_asking_a_swapped_chip_for_what_only_the_other_has_is_no_misuse_and_writing_there_is(make):
    board, bus, _ = make([{"kind": "swapped_chip", "chip": "pressure", "by": "bmp280", "at_us": S}])
    board.clock.advance(60 * S)
    bus.readfrom_mem(0x77, 0xA2, 2)  # an MS5611 has its calibration there
    assert board.ledger.objections == [] and board.ledger.counts["objections_forgiven"] == 2
    bus.writeto_mem(0x77, 0xD0, b"\x00")
    assert [one["who"] for one in board.ledger.objections] == ["pressure"]


def test_a_held_bus_waits_for_nine_clocks_of_the_pins(make):
    board, bus, _ = make([{"kind": "stuck_bus", "chip": "pressure", "at_us": S}])
    config_of(bus)
    board.clock.advance(2 * S)
    begin_us = board.clock.now_us
    with pytest.raises(OSError) as error:
        config_of(bus)
    assert error.value.args[0] == 110 and board.clock.now_us - begin_us == 5000
    sda, scl = pins.Pin(4), pins.Pin(5)
    scl.init(pins.Pin.OPEN_DRAIN, value=1)
    for clock in range(9):
        assert sda() == 0, clock
        scl(0)
        scl(1)
    assert sda() == 1
    with pytest.raises(OSError):  # the pins are not the controller's yet
        config_of(bus)
    assert config_of(I2C(0, sda=4, scl=5, freq=400_000, timeout=5000)) == 0x399F


def test_with_a_duration_no_clock_helps_before_it_is_over(make):
    board, bus, _ = make([{"kind": "stuck_bus", "chip": "panel", "at_us": S, "for_us": S}])
    board.clock.advance(3 * S // 2)
    scl = pins.Pin(5)
    for _ in range(20):
        scl(0)
        scl(1)
    with pytest.raises(OSError):
        config_of(bus)
    board.clock.advance(S)
    assert config_of(bus) == 0x399F


def test_a_shorted_wire_reads_nothing_but_zeros_and_ends_a_search(make):
    board, _, wire = make([{"kind": "stuck_bus", "chip": "outside", "at_us": S, "for_us": 5 * S}])
    rom = board.chips["outside"].rom
    board.clock.advance(2 * S)
    assert scratchpad(wire, rom) == bytes(9)
    board, _, wire = make([{"kind": "stuck_bus", "chip": "outside"}])
    begin_us = board.clock.now_us
    assert {bytes(found) for found in wire.scan()} >= {bytes(8)}  # a part that is not there
    assert 2 * S < board.clock.now_us - begin_us < 6 * S  # 255 passes, as the board's own module has it


def test_flipped_bits_hurt_data_and_addresses_and_one_wire_check_sums_notice(make):
    board, bus, wire = make(
        [
            {"kind": "bit_flips", "chip": "panel", "odds": 8},
            {"kind": "bit_flips", "chip": "outside", "odds": 8},
        ]
    )
    silent = wrong = 0
    for _ in range(300):
        try:
            wrong += config_of(bus) != 0x399F
        except OSError:
            silent += 1
    assert 20 < silent < 200 and 20 < wrong < 200
    rom = board.chips["outside"].rom
    pads = [scratchpad(wire, rom) for _ in range(50)]
    assert sum(wire.crc8(pad) != 0 for pad in pads) > 10
    assert bus.readfrom_mem(0x48, 0x0F, 2) == b"\x01\x17"  # the others' bytes are whole


def test_a_late_chip_stretches_the_clock_and_too_late_is_a_time_out(make):
    board, bus, wire = make(
        [
            {"kind": "late_answer", "chip": "panel", "late_us": 2000, "at_us": S, "for_us": S},
            {"kind": "late_answer", "chip": "panel", "late_us": 9000, "at_us": 3 * S, "for_us": S},
            {"kind": "late_answer", "chip": "outside", "late_us": 50, "at_us": S, "for_us": S},
        ]
    )
    board.clock.advance(S + 1)
    begin_us = board.clock.now_us
    assert config_of(bus) == 0x399F
    assert 4000 <= board.clock.now_us - begin_us < 4500  # the register's number and its content
    assert scratchpad(wire, board.chips["outside"].rom) == b"\xff" * 9
    board.clock.advance(2 * S)
    begin_us = board.clock.now_us
    with pytest.raises(OSError) as error:
        config_of(bus)
    assert error.value.args[0] == 110
    assert 5000 <= board.clock.now_us - begin_us < 5500
    board.clock.advance(2 * S)
    assert config_of(bus) == 0x399F


@pytest.mark.parametrize("name", ["panel", "battery"])
def test_a_frozen_chip_repeats_one_word_and_then_moves_again(make, name):
    board, bus, _ = make([{"kind": "frozen_value", "chip": name, "at_us": S, "for_us": 20 * S}])
    bus.writeto_mem(0x40, 0, b"\x39\x9f")

    def word():
        board.clock.advance(S)
        if name == "battery":
            return board.adc_by_pin[26].read_u16()
        return bus.readfrom_mem(0x40, 2, 2) + bus.readfrom_mem(0x40, 1, 2)

    word()
    frozen = set()
    for turn in range(15):
        board.source.values["battery_v"] = 3.0 + turn / 10
        board.source.values["panel_bus_v"] = 3.0 + turn / 10
        frozen.add(word())
    assert len(frozen) == 1
    board.clock.advance(10 * S)
    assert word() not in frozen


def test_a_brown_out_is_forgiven_for_a_while_and_no_longer(make):
    """A firmware that reads a result which the dip has wiped out is not to blame; one that never notices is."""
    board, bus, _ = make([{"kind": "brown_out", "chip": "pressure", "at_us": S}])
    bus.writeto(0x77, b"\x1e")
    board.clock.advance(2 * S)
    bus.writeto(0x77, b"\x00")
    assert board.ledger.objections == [] and board.ledger.counts["objections_forgiven"] == 1
    board.clock.advance(30 * S)
    bus.writeto(0x77, b"\x00")
    assert len(board.ledger.objections) == 1


def test_a_fault_that_cannot_befall_a_chip_is_refused(make):
    for fault in (
        {"kind": "wrong_id", "chip": "battery"},
        {"kind": "stuck_bus", "chip": "battery"},
        {"kind": "swapped_chip", "chip": "outside", "by": "ina219"},
        {"kind": "bit_flips", "chip": "nobody"},
    ):
        with pytest.raises(ValueError):
            make([fault])
    assert set(chip_faults.KINDS) >= {"missing_chip", "brown_out"}


# --- from the scenario -----------------------------------------------------------------------------------------------


def test_a_scenario_can_ask_for_each_of_them():
    faults = [
        {"kind": "missing_chip", "chip": "panel", "at_s": 10.0, "for_s": 5.0},
        {"kind": "wrong_id", "chip": "pressure"},
        {"kind": "swapped_chip", "chip": "pressure", "by": "bme280", "at_s": 20.0},
        {"kind": "stuck_bus", "chip": "outside"},
        {"kind": "bit_flips", "chip": "gnss", "odds": 9},
        {"kind": "late_answer", "chip": "inside", "late_ms": 3.0},
        {"kind": "frozen_value", "chip": "battery"},
        {"kind": "brown_out", "chip": "panel", "at_s": 40.0},
        {"kind": "card_removed", "at_s": 50.0, "for_s": 4.0},
        {"kind": "card_slow"},
        {"kind": "card_refuses"},
        {"kind": "card_bit_flips"},
    ]
    scenario = scenario_with("calm", faults=faults, card={"interface": "spi"})
    described = fault_descriptions(scenario, 100.0)
    assert described[0] == {"kind": "missing_chip", "chip": "panel", "at_us": 110 * S, "for_us": 5 * S}
    assert described[5]["late_us"] == 3000 and "at_us" not in described[5]


@pytest.mark.parametrize(
    ("fault", "line"),
    [
        (
            {"kind": "wrong_id", "chip": "battery"},
            'faults[0].kind = "wrong_id" cannot befall "battery"; possible for: pressure,',
        ),
        (
            {"kind": "brown_out", "chip": "lamp", "at_s": 1.0},
            'faults[0].chip = "lamp" is no chip of this scenario; known: gnss,',
        ),
        ({"kind": "frozen_value", "chip": "gnss"}, 'faults[0].kind = "frozen_value" cannot befall "gnss"'),
        ({"kind": "card_bit_flips"}, 'faults[0].kind = "card_bit_flips" needs card.interface = "spi"'),
        ({"kind": "missing_chip", "chip": "panel", "at_s": -9000.0}, "faults[0].at_s = -9000 is before power-up"),
    ],
)
def test_what_cannot_happen_is_told_in_one_line(fault, line):
    with pytest.raises(InputError) as error:
        scenario_with("calm", faults=[fault])
    assert line in str(error.value) and "\n" not in str(error.value)

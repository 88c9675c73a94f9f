"""The door to the hardware: what the port refuses is left out, and the rest of the board flies."""

import importlib
import sys
import time
import types

import pytest

from firmware.core.settings import Settings


class Pin:
    OUT = 1

    def __init__(self, number, mode=None, value=None):
        if number > 29:
            raise ValueError("no such pin")
        self.number = number


class Bus:
    """I2C, UART, ADC and SPI of a port: keeps what it was made with."""

    def __init__(self, *args, **kwargs):
        self.args = args
        self.kwargs = kwargs


class Watchdog(Bus):
    fed = 0

    def feed(self):
        Watchdog.fed += 1


class FatFs:
    def __init__(self, device):
        if device is None:
            raise OSError(19)
        self.device = device

    def ilistdir(self, _path):
        yield "TD000001.LOG", 0x8000, 0, 512


@pytest.fixture
def machine(monkeypatch):
    """A port without an SD card of its own."""
    Watchdog.fed = 0
    port = types.ModuleType("machine")
    port.Pin, port.I2C, port.UART, port.ADC, port.SPI, port.WDT = Pin, Bus, Bus, Bus, Bus, Watchdog
    port.PWRON_RESET, port.WDT_RESET = 1, 3
    port.unique_id = lambda: b"\x01\x02\x03"
    port.reset_cause = lambda: 3
    wire = types.ModuleType("onewire")
    wire.OneWire = Bus
    file_systems = types.ModuleType("vfs")
    file_systems.VfsFat = FatFs
    for name, module in (("machine", port), ("onewire", wire), ("vfs", file_systems)):
        monkeypatch.setitem(sys.modules, name, module)
    for name in ("ticks_ms", "ticks_diff", "sleep_ms"):
        monkeypatch.setattr(time, name, lambda *_: 0, raising=False)
    for name in ("firmware.board", "firmware.card_storage"):
        monkeypatch.delitem(sys.modules, name, raising=False)
    yield port
    for name in ("firmware.board", "firmware.card_storage"):
        sys.modules.pop(name, None)


def made(**changes):
    settings = Settings()
    settings.values.update(changes)
    return importlib.import_module("firmware.board").Board(settings)


def test_buses_are_made_as_the_settings_say(machine):
    board = made(i2c_sda=6, i2c_scl=7, gnss_baud=38400)
    made_bus = board.i2c._bus  # behind its guard
    assert made_bus.args == (1,)  # GPIO 6 and 7 belong to the second controller
    assert (made_bus.kwargs["sda"].number, made_bus.kwargs["scl"].number) == (6, 7)
    assert board.uart.kwargs["baudrate"] == 38400 and board.uart.kwargs["timeout"] == 0
    assert board.battery.args[0].number == 26
    assert board.unique_id() == b"\x01\x02\x03\0\0\0\0\0"


@pytest.mark.parametrize("name", ["I2C", "UART", "ADC", "WDT"])
@pytest.mark.parametrize("error", [ValueError, OSError, TypeError])
def test_a_part_that_the_port_refuses_is_left_out(machine, monkeypatch, name, error):
    def refuse(*_args, **_kwargs):
        raise error

    monkeypatch.setattr(machine, name, refuse)
    board = made()
    board.start_watchdog()
    board.feed()
    assert (board.battery is None) == (name == "ADC")
    for call in (lambda: board.i2c.writeto(0x77, b"\0"), lambda: board.i2c.readfrom_mem_into(0x40, 0, bytearray(2))):
        if name == "I2C":
            with pytest.raises(OSError):
                call()
    if name == "UART":
        assert board.uart.any() == 0


def test_a_pin_that_does_not_exist_costs_its_own_part_only(machine):
    board = made(led_pin=40, onewire_pin=50, i2c_sda=60)
    assert board.led is None and board.sounder is not None
    assert not board.onewire.reset()
    with pytest.raises(OSError):
        board.onewire.scan()
    with pytest.raises(OSError):
        board.i2c.writeto(0x77, b"\0")
    assert board.uart.kwargs["baudrate"] == 9600


@pytest.mark.parametrize(
    ("chip", "reason", "told"),
    [
        ("a small board with RP2040", 1, 3),  # its time ran out
        ("a small board with RP2040", 2, -1),  # machine.reset(), as at the end of an installation
        ("a small board with RP2040", 3, 3),
        ("a small board with another chip", 2, 3),  # which has something else at that address
        (None, 2, 3),
    ],
)
def test_an_rp2040_tells_a_reset_by_order_from_one_by_the_watchdog(machine, monkeypatch, chip, reason, told):
    machine.mem32 = {0x40058008: reason}
    board = importlib.import_module("firmware.board")
    implementation = types.SimpleNamespace() if chip is None else types.SimpleNamespace(_machine=chip)
    monkeypatch.setattr(board, "sys", types.SimpleNamespace(implementation=implementation))
    assert board.reset_causes() == (told, 1, 3)
    machine.reset_cause = lambda: 1
    assert board.reset_causes() == (1, 1, 3)


def test_the_watchdog_is_fed_once_it_is_started(machine):
    board = made()
    board.feed()
    assert Watchdog.fed == 0
    board.start_watchdog()
    board.feed()
    assert Watchdog.fed == 1


def test_a_port_with_a_card_of_its_own_is_given_preference(machine, monkeypatch):
    fed = []
    monkeypatch.setattr(machine, "SDCard", PortsOwn, raising=False)
    monkeypatch.setattr(machine.WDT, "feed", lambda self: fed.append(self))
    board = made()
    board.start_watchdog()
    board.storage.mount()
    card = board.storage._fs.device
    assert board.storage.names() == ["TD000001.LOG"]
    card.writeblocks(5, b"w" * 512)
    buf = bytearray(512)
    card.readblocks(5, buf)
    assert buf == b"w" * 512 and card.ioctl(4, 0) == 7 and card.ioctl(5, 0) == 512
    assert len(fed) == 2  # before each block: what the FAT driver does in one call may take longer than the watchdog


@pytest.mark.parametrize("says", [OSError(5), False, -5])
def test_a_block_that_a_port_says_in_its_own_way_it_could_not_move_is_an_error(machine, monkeypatch, says):
    """What is thrown away here would pass for written: the esp32 port says False, mimxrt a negative number."""

    def fail(_self, _block, _buf):
        if isinstance(says, OSError):
            raise says
        return says

    monkeypatch.setattr(machine, "SDCard", PortsOwn, raising=False)
    board = made()
    board.storage.mount()
    card = board.storage._fs.device
    monkeypatch.setattr(PortsOwn, "readblocks", fail)
    monkeypatch.setattr(PortsOwn, "writeblocks", fail)
    for call in (card.readblocks, card.writeblocks):
        with pytest.raises(OSError):
            call(0, bytearray(512))


@pytest.mark.parametrize("says", [None, True, 0])
def test_a_block_that_a_port_says_in_its_own_way_it_has_moved_is_none(machine, monkeypatch, says):
    monkeypatch.setattr(machine, "SDCard", PortsOwn, raising=False)
    board = made()
    board.storage.mount()
    monkeypatch.setattr(PortsOwn, "writeblocks", lambda _self, _block, _buf: says)
    board.storage._fs.device.writeblocks(0, b"w" * 512)


@pytest.mark.parametrize("hz", [10000, 100000, 400000])
def test_the_longest_transfer_fits_into_the_time_out_at_every_rate_with_time_to_spare(machine, hz):
    """The RP2040's time-out is that of the whole transfer."""
    longest_us = 29 * 9 * 1000000 // hz  # a BMP280's 24 bytes, register, two addresses, and starts and stop
    time_out_us = made(i2c_hz=hz).i2c._bus.kwargs["timeout"]
    assert longest_us + 4000 < time_out_us < longest_us + 8000


class PortsOwn:
    """A card driver that a port brings along."""

    blocks = {}  # noqa: RUF012

    def readblocks(self, block, buf):
        buf[:] = self.blocks[block]

    def writeblocks(self, block, buf):
        self.blocks[block] = bytes(buf)

    def ioctl(self, op, arg):
        return {4: 7, 5: 512}[op]


def test_without_one_the_card_hangs_on_the_bus_of_the_settings(machine):
    board = made(card_cs=13)
    board.storage.mount()
    assert type(board.storage._fs.device).__name__ == "SDCard"


def test_a_card_that_cannot_be_made_is_asked_for_again_at_the_next_mount(machine, monkeypatch):
    def refuse():
        raise OSError(19)

    monkeypatch.setattr(machine, "SDCard", refuse, raising=False)
    board = made()
    with pytest.raises(OSError):
        board.storage.mount()
    monkeypatch.setattr(machine, "SDCard", Bus)
    board.storage.mount()

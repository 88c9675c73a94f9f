"""The tasks that read chips, made for the chips that the settings name; forgotten when the loop runs (core/spare.py).

A driver is imported only if its chip can be there: on a board of the RP2040 class each costs a few kilobytes.
"""

from firmware.tasks.barometer import BarometerTask
from firmware.tasks.power import PowerTask
from firmware.tasks.thermometers import ThermometerTask
from shared_protocol.records import CHIP_BME280, CHIP_BMP280, CHIP_MS5611

_PROBE_NAMES = ("outside", "inside")
_EXPECTED = {"ms5611": CHIP_MS5611, "bmp280": CHIP_BMP280, "bme280": CHIP_BME280, "auto": 0}
_BAROMETER_ADDRESSES = (0x77, 0x76)  # two for all of them, by a pin


def barometer(journal, clock, board, settings) -> BarometerTask:
    """With `auto` either kind at either address, first at the one of the settings.

    At each address the MS5611 is tried first: its commands only move a BMP280's register pointer, while what an MS5611
    makes of a BMP280's register number is not in its data sheet.
    """
    wanted = settings["pressure_chip"]
    address = settings["pressure_address"]
    drivers: list = []
    converters: list = []
    for place in [address] + [other for other in _BAROMETER_ADDRESSES if other != address and wanted == "auto"]:
        if wanted in ("ms5611", "auto"):
            from firmware.core.ms5611_pressure import pressure_pa
            from firmware.drivers.ms5611 import MS5611

            drivers.append(MS5611(board.i2c, place, board.sleep_ms))
            converters.append(pressure_pa)
        if wanted != "ms5611":
            from firmware.core.bmp280_pressure import pressure_pa
            from firmware.drivers.bmp280 import BMP280

            drivers.append(BMP280(board.i2c, place, board.sleep_ms))
            converters.append(pressure_pa)
    return BarometerTask(journal, clock, drivers, converters, _EXPECTED[wanted], settings["pressure_period_ms"])


def power_meter(journal, board, settings) -> PowerTask:
    """The panel's."""
    address = settings["panel_address"]
    period_ms = settings["panel_period_ms"]
    if settings["panel_chip"] == "ina226":
        from firmware.drivers.ina226 import INA226

        return PowerTask(journal, INA226(board.i2c, address), period_ms)
    from firmware.drivers.ina219 import INA219

    return PowerTask(journal, INA219(board.i2c, address), period_ms)


def thermometers(journal, clock, board, settings) -> ThermometerTask:
    """Outside and inside, each on the 1-wire or on the I2C bus."""
    wire = None
    siblings: list = []
    probes: list = []
    for place in _PROBE_NAMES:
        if settings["probe_" + place + "_chip"] == "tmp117":
            from firmware.drivers.tmp117 import TMP117
            from firmware.tasks.probes_i2c import I2cProbe

            address = settings["probe_" + place + "_address"]
            probes.append(I2cProbe(TMP117(board.i2c, address, board.sleep_ms), place.encode()))
        else:
            from firmware.drivers.ds18b20 import ThermometerBus
            from firmware.tasks.probes_onewire import OneWireProbe

            if wire is None:
                wire = ThermometerBus(board.onewire)
            probes.append(OneWireProbe(wire, siblings, place.encode(), settings["probe_" + place + "_rom"]))
    return ThermometerTask(journal, clock, wire, probes, settings["temperature_period_ms"])

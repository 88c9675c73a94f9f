"""The chips that readings come from: their names, what they are rated for, how well they measure.

Sources: MS5611 TE data sheet MS5611-01BA03; BMP280 Bosch BST-BMP280-DS001; BME280 Bosch BST-BME280-DS002; DS18B20 Maxim
19-7487; TMP117 TI SNOSD82; INA219 TI SBOS448 (26 V on the pins, whatever the 32 V scale suggests); INA226 TI SBOS547.
Accuracies of BMP280, BME280 and INA226 beyond those of tests/data/check_values.json are from memory.
"""

from dataclasses import dataclass, field

from shared_protocol import records


@dataclass(frozen=True)
class Chip:
    """What a data sheet says. `rated` is lowest and highest by quantity; `accuracy` a sentence by quantity.

    Quantities are the names of the tables' columns.
    """

    name: str
    rated: dict
    accuracy: dict = field(default_factory=dict)

    def outside(self, quantity, values):
        """Where values lie outside the rated range; NaN does not."""
        low, high = self.rated[quantity]
        return (values < low) | (values > high)

    def rated_text(self, quantity, unit):
        """`10 to 1200 hPa (MS5611 data sheet)`."""
        low, high = self.rated[quantity]
        return f"{max(low, 0.0) if unit == 'V' else low:g} to {high:g} {unit} ({self.name.upper()} data sheet)"

    def accuracy_text(self, quantity):
        """The sentence with its source; empty where nothing is stated."""
        said = self.accuracy.get(quantity, "")
        return said and f"{said} ({self.name.upper()} data sheet)"


_BOSCH_RATED = {"pressure_hpa": (300.0, 1100.0), "temperature_c": (-40.0, 85.0)}
_BOSCH_ACCURACY = {
    "pressure_hpa": "1.0 hPa from 300 to 1100 hPa and 0 to 65 degC, 1.7 hPa down to -20 degC; not stated beyond",
    "temperature_c": "1.0 degC from 0 to 65 degC",
}

CHIPS = {
    records.CHIP_MS5611: Chip(
        "ms5611",
        {"pressure_hpa": (10.0, 1200.0), "temperature_c": (-40.0, 85.0)},
        {
            "pressure_hpa": "2.5 hPa from 450 to 1100 hPa and -20 to 85 degC; not stated beyond",
            "temperature_c": "2.0 degC from -20 to 85 degC",
        },
    ),
    records.CHIP_DS18B20: Chip(
        "ds18b20", {"temperature_c": (-55.0, 125.0)}, {"temperature_c": "0.5 degC from -10 to 85 degC, 2 degC beyond"}
    ),
    records.CHIP_INA219: Chip("ina219", {"bus_v": (-0.3, 26.0)}, {"bus_v": "1 %", "shunt_v": "1 % and 0.1 mV"}),
    records.CHIP_TMP117: Chip(
        "tmp117",
        {"temperature_c": (-55.0, 150.0)},
        {"temperature_c": "0.1 degC from -20 to 50 degC, 0.15 from -40 to 70, 0.25 from -55 to 125"},
    ),
    records.CHIP_BMP280: Chip("bmp280", _BOSCH_RATED, _BOSCH_ACCURACY),
    records.CHIP_BME280: Chip(
        "bme280",
        _BOSCH_RATED | {"humidity_pct": (0.0, 100.0)},
        _BOSCH_ACCURACY | {"humidity_pct": "3 % from 20 to 80 % at 25 degC"},
    ),
    records.CHIP_INA226: Chip(
        "ina226", {"bus_v": (0.0, 36.0)}, {"bus_v": "0.1 % and 7.5 mV", "shunt_v": "0.1 % and 0.01 mV"}
    ),
}


def chip_name(number):
    """A chip's name; `chip9` for one this decoder does not know."""
    chip = CHIPS.get(int(number))
    return chip.name if chip is not None else f"chip{int(number)}"


def describe(quantity, unit, chips_by_sensor):
    """`rated` and `accuracy` of a column for its Parquet metadata, by sensor where sensors differ.

    Parameters
    ----------
    quantity, unit : str
    chips_by_sensor : dict of str to Chip
        Sensors of the table by name; may be empty.
    """
    chips_by_sensor = {name: chip for name, chip in chips_by_sensor.items() if quantity in (chip.rated | chip.accuracy)}
    about = {}
    for key, text in (
        ("rated", lambda chip: chip.rated_text(quantity, unit) if quantity in chip.rated else ""),
        ("accuracy", lambda chip: chip.accuracy_text(quantity)),
    ):
        texts = {name: text(chip) for name, chip in chips_by_sensor.items() if text(chip)}
        if len(set(texts.values())) == 1:
            about[key] = next(iter(texts.values()))
        elif texts:
            about[key] = "; ".join(f"{name}: {said}" for name, said in texts.items())
    return about

"""BMP280 or BME280 in the MS5611's place: its two extra pins are tied otherwise."""

from hardware_notes.drawings.barometer import on_the_bus
from hardware_notes.drawings.sheet import POWER, Sheet


def draw():
    sheet = Sheet(
        "BMP280 or BME280 on the I2C bus", "CSB and SDO to 3.3 V, two pull-up resistors, one capacitor at the chip."
    )
    chip = on_the_bus(sheet, "BMP280, BME280", (None, "CSB", None, "SDO"))
    for pin in ("CSB", "SDO"):
        x, y = chip[pin]
        sheet.wire((x, y), (x + 0.5, y), (x + 0.5, y + 0.5), color=POWER)
        sheet.plus((x + 0.5, y + 0.5))
    sheet.note(
        0,
        -5,
        "CSB high: the chip speaks I2C. SDO high: 0x77; SDO low: 0x76 (then change pressure_address).",
        "VDDIO, where it has a pin of its own, goes where VDD goes. SDA is also called SDI, SCL SCK.",
    )
    return sheet

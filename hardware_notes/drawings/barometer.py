"""The I2C bus with the barometer on it: one pair of pull-ups, address pins tied."""

import schemdraw.elements as elm

from hardware_notes.drawings.sheet import INK, POWER, Sheet
from hardware_notes.drawings.wired import address, gpio


def draw():
    sheet = Sheet("Barometer on the I2C bus", "MS5611 wired for I2C, two pull-up resistors, one capacitor at the chip.")
    chip = on_the_bus(sheet, "MS5611", ("PS", None, None, "CSB"))
    x, y = chip["PS"]
    sheet.wire((x, y), (x + 0.5, y), (x + 0.5, y + 0.5), color=POWER)
    sheet.plus((x + 0.5, y + 0.5))
    x, y = chip["CSB"]
    sheet.wire((x, y), (x + 0.5, y), color=INK)
    sheet.ground((x + 0.5, y))
    sheet.note(
        0,
        -5,
        "PS high: the chip speaks I2C. CSB low: 0x77; CSB high: 0x76 (then change pressure_address).",
        "One pair of pull-ups for the whole bus; the capacitor sits at the chip, not at the board.",
    )
    return sheet


def on_the_bus(sheet, name, more_pins):
    """A barometer with supply, bus, pull-ups and capacitor; gives its pins' ends. `more_pins` are on its far side."""
    board = sheet.box(0, 0, 4.6, "Board", right=("3.3 V out", gpio("i2c_sda"), gpio("i2c_scl"), "GND"))
    near = ("VDD", "SDA", "SCL", "GND")
    chip = sheet.box(14, 0, 3.4, name, near, more_pins, address("pressure_address"))
    supply, sda, scl = board["3.3 V out"], board[gpio("i2c_sda")], board[gpio("i2c_scl")]
    sheet.wire(supply, chip["VDD"], color=POWER)
    sheet.wire(sda, chip["SDA"])
    sheet.wire(scl, chip["SCL"])
    sheet.wire(board["GND"], chip["GND"], color=INK)
    for x, line in ((7.2, sda), (9.4, scl)):
        top = (x, supply[1] + 2.0)
        sheet.part(elm.Resistor, top, (x, supply[1] + 0.5), "4.7 kΩ")
        sheet.wire((x, supply[1] + 0.5), (x, line[1]))
        sheet.plus(top)
        sheet.dot((x, line[1]))
    x = 12.2
    sheet.part(elm.Capacitor, (x, supply[1]), (x, board["GND"][1]), "100 nF", "left")
    sheet.dot((x, supply[1]), color=POWER)
    sheet.dot((x, board["GND"][1]), color=INK)
    return chip

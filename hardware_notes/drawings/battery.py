"""Cells, fuse, switch and diode to the board; a divider with a capacitor to the analogue pin."""

import schemdraw.elements as elm

from hardware_notes.drawings.sheet import INK, POWER, Sheet
from hardware_notes.drawings.wired import full_scale_mv, gpio


def draw():
    sheet = Sheet(
        "Battery and its divider",
        "Cells, 1 A fuse, switch, Schottky diode to the board; two 10 kΩ resistors halve the voltage.",
    )
    cells = sheet.box(
        0, 0, 2.8, "Cells", right=("+", None, None, None, None, None, "−"), note="3 in series, 3.6 to 5.4 V"
    )
    line = gpio("battery_pin")
    board = sheet.box(16.4, 0, 4.8, "Board", left=("supply in", None, None, line, None, None, "GND"))
    plus, minus, middle = cells["+"], cells["−"], board[line]
    y = plus[1]
    sheet.part(elm.Fuse, plus, (6.1, y), "fuse 1 A", "above")
    sheet.part(elm.Switch, (6.1, y), (8.1, y), "switch", "above")
    node = 9.3
    sheet.wire((8.1, y), (node, y), color=POWER)
    sheet.dot((node, y), color=POWER)
    sheet.wire((node, y), (node, y + 1.0), color=POWER)
    sheet.plus((node, y + 1.0), "sounder's plus", 10)
    sheet.part(elm.Schottky, (node, y), (12.4, y), "Schottky, 1 A", "above")
    sheet.wire((12.4, y), board["supply in"], color=POWER)
    sheet.part(elm.Resistor, (node, y), (node, middle[1]), "10 kΩ 1 %", "left")
    sheet.wire((node, middle[1]), middle)
    sheet.part(elm.Resistor, (node, middle[1]), (node, minus[1]), "10 kΩ 1 %", "left")
    sheet.part(elm.Capacitor, (11.2, middle[1]), (11.2, minus[1]), "100 nF")
    sheet.part(elm.Capacitor2, (14.4, y), (14.4, middle[1] + 0.9), "100 µF", "left")
    sheet.ground((14.4, middle[1] + 0.9))
    sheet.dot((14.4, y), color=POWER)
    sheet.dot((node, middle[1]), (11.2, middle[1]))
    sheet.wire(minus, board["GND"], color=INK)
    sheet.dot((node, minus[1]), (11.2, minus[1]), color=INK)
    sheet.note(
        0,
        -7.3,
        "Two equal resistors halve the voltage: 3.3 V at the pin is "
        f"{full_scale_mv()} mV of battery (battery_full_scale_mv).",
        "The fuse sits at the cells' plus. The diode keeps USB's 5 V away from cells that must not be charged.",
        "The straight plate of the 100 µF is its plus; rated 10 V or more, and for the cold.",
    )
    return sheet

"""A TMP117 on the I2C bus; ADD0 chooses its address."""

import schemdraw.elements as elm

from hardware_notes.drawings.sheet import INK, POWER, Sheet
from hardware_notes.drawings.wired import address, gpio


def draw():
    sheet = Sheet("TMP117 thermometers on the I2C bus", "Two TMP117, ADD0 to ground outside and to 3.3 V inside.")
    sda, scl = gpio("i2c_sda"), gpio("i2c_scl")
    board = sheet.box(0, 0, 4.6, "Board", right=("3.3 V out", sda, scl, "GND"))
    rows = (("V+", "3.3 V out", POWER), ("SDA", sda, None), ("SCL", scl, None), ("GND", "GND", INK))
    pins = tuple(row[0] for row in rows)
    right = (None, None, None, "ADD0")
    outside = sheet.box(13, 0, 3.4, "TMP117 outside", pins, right, address("probe_outside_address"))
    inside = sheet.box(13, -5.6, 3.4, "TMP117 inside", pins, ("ADD0",), address("probe_inside_address"))
    for number, (pin, name, color) in enumerate(rows):
        color = {"color": color} if color else {}
        tap = 11.8 - 0.7 * number
        sheet.wire(board[name], outside[pin], **color)
        sheet.wire((tap, board[name][1]), (tap, inside[pin][1]), inside[pin], **color)
        sheet.dot((tap, board[name][1]), **color)
    x, y = outside["ADD0"]
    sheet.wire((x, y), (x + 0.5, y), color=INK)
    sheet.ground((x + 0.5, y))
    x, y = inside["ADD0"]
    sheet.wire((x, y), (x + 0.5, y), (x + 0.5, y + 0.4), color=POWER)
    sheet.plus((x + 0.5, y + 0.4))
    for x, name in ((6.0, sda), (8.1, scl)):
        top = (x, board["3.3 V out"][1] + 2.0)
        sheet.part(elm.Resistor, top, (x, top[1] - 1.5), "4.7 kΩ")
        sheet.wire((x, top[1] - 1.5), (x, board[name][1]))
        sheet.plus(top)
        sheet.dot((x, board[name][1]))
    sheet.note(
        0,
        -5.6,
        "The same two pull-ups as the barometer's: one pair",
        "for the whole bus. 100 nF from V+ to GND at each chip.",
        "ADD0: GND 0x48, V+ 0x49, SDA 0x4A, SCL 0x4B.",
    )
    return sheet

"""The one wire: two DS18B20 side by side on three lines, with their own supply and one pull-up."""

import schemdraw.elements as elm

from hardware_notes.drawings.sheet import INK, POWER, SIGNAL, Sheet
from hardware_notes.drawings.wired import gpio


def draw():
    sheet = Sheet("Thermometers on the one wire", "Two DS18B20 on the same three lines, one 4.7 kΩ pull-up to 3.3 V.")
    line = gpio("onewire_pin")
    board = sheet.box(0, 0, 4.6, "Board", right=("3.3 V out", line, "GND"))
    rows = (("VDD", "3.3 V out", POWER), ("DQ", line, SIGNAL), ("GND", "GND", INK))
    outside = sheet.box(13.5, 0, 3.2, "DS18B20 outside", left=("VDD", "DQ", "GND"))
    inside = sheet.box(13.5, -4.6, 3.2, "DS18B20 inside", left=("VDD", "DQ", "GND"))
    for number, (pin, name, color) in enumerate(rows):
        tap = 11.6 - 0.8 * number
        sheet.wire(board[name], outside[pin], color=color)
        sheet.wire((tap, board[name][1]), (tap, inside[pin][1]), inside[pin], color=color)
        sheet.dot((tap, board[name][1]), color=color)
    x, high, low = 7.4, board["3.3 V out"][1], board[line][1]
    top = (x, high + 2.0)
    sheet.part(elm.Resistor, top, (x, high + 0.5), "4.7 kΩ")
    sheet.wire((x, high + 0.5), (x, low))
    sheet.plus(top)
    sheet.dot((x, low))
    sheet.note(
        0,
        -4.4,
        "VDD goes to 3.3 V, never to ground:",
        "fed through the data line alone,",
        "a DS18B20 lacks the current to measure.",
        "One resistor for both.",
    )
    return sheet

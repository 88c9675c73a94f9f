"""LED and sounder: a resistor for the one, a transistor with a diode for the other."""

import schemdraw.elements as elm

from hardware_notes.drawings.sheet import INK, POWER, Sheet
from hardware_notes.drawings.wired import gpio


def draw():
    sheet = Sheet(
        "LED and sounder",
        "LED with 1 kΩ to ground; NPN transistor that switches the sounder's minus side, diode across it.",
    )
    led, sound = gpio("led_pin"), gpio("sounder_pin")
    board = sheet.box(0, 0, 4.8, "Board", right=(led, None, None, None, None, None, sound, None, "GND"))
    x, y = board[led]
    sheet.part(elm.Resistor, (x, y), (8.2, y), "1 kΩ", "above")
    sheet.part(elm.LED, (8.2, y), (10.4, y), "LED", "below")
    sheet.wire((10.4, y), (10.9, y), (10.9, y - 0.3), color=INK)
    sheet.ground((10.9, y - 0.3))
    x, y = board[sound]
    base = 9.2
    sheet.part(elm.Resistor, (x, y), (base - 1.2, y), "1 kΩ", "above")
    sheet.wire((base - 1.2, y), (base, y))
    low = board["GND"][1]
    sheet.part(elm.Resistor, (base - 1.2, y), (base - 1.2, low), "10 kΩ", "left")
    sheet.dot((base - 1.2, y))
    sheet.dot((base - 1.2, low), color=INK)
    transistor = sheet.add(elm.BjtNpn(circle=True).at((base, y)).anchor("base").theta(0).color(INK))
    cx, cy = transistor.absanchors["collector"]
    sheet.name("transistor", base=(base, y), collector=(cx, cy), emitter=transistor.absanchors["emitter"])
    sheet.wire(tuple(transistor.absanchors["emitter"]), (cx, low), color=INK)
    sheet.wire(board["GND"], (cx, low), color=INK)
    sheet.dot((cx, low), color=INK)
    sheet.ground((cx, low))
    sounder = sheet.box(13.6, y + 3.6, 3.6, "active sounder", left=("+", None, "−"))
    plus, minus = sounder["+"], sounder["−"]
    sheet.wire((cx, cy), (cx, minus[1]), minus, color=INK)
    sheet.wire(plus, (11.8, plus[1]), color=POWER)
    sheet.wire((11.8, plus[1]), (11.8, plus[1] + 0.5), color=POWER)
    sheet.plus((11.8, plus[1] + 0.5), "switched battery")
    sheet.part(elm.Diode, (11.8, minus[1]), (11.8, plus[1]), "1N4148", "right")
    sheet.dot((11.8, plus[1]), color=POWER)
    sheet.dot((11.8, minus[1]), color=INK)
    sheet.text(cx + 0.5, y - 0.2, "NPN, 100 mA or more", 10)
    sheet.note(
        0,
        -9.2,
        "The sounder's plus goes to the battery behind fuse and switch, its minus through the transistor to ground.",
        "10 kΩ keep it silent while the board starts. The diode's bar is at plus: it takes the coil's kick.",
        "A board's own LED on this pin needs no parts.",
    )
    return sheet

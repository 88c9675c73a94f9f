"""Panel, current sensor and load: the shunt on the panel's plus side, all minus sides on the common ground."""

import schemdraw.elements as elm

from hardware_notes.drawings.sheet import INK, POWER, QUIET, Sheet
from hardware_notes.drawings.wired import address, gpio, shunt_ohm


def draw():
    sheet = Sheet(
        "Panel, current sensor and load",
        "Panel plus to VIN+, VIN- to the load resistor, load and panel minus to ground.",
    )
    panel = sheet.box(0, 0, 2.4, "Panel", right=("+", None, None, None, "−"))
    meter = sheet.box(
        9.2, 0, 3.6, "INA219", ("VIN+", None, "VIN−"), ("VS", "SDA", "SCL", "GND", "A0", "A1"), address("panel_address")
    )
    board = sheet.box(17.2, 0, 4.6, "Board", left=("3.3 V out", gpio("i2c_sda"), gpio("i2c_scl"), "GND"))
    sheet.wire(panel["+"], meter["VIN+"], color=POWER)
    load_x, minus_y = 5.6, panel["−"][1]
    sheet.wire(meter["VIN−"], (load_x, meter["VIN−"][1]), (load_x, meter["VIN−"][1] - 0.3), color=POWER)
    sheet.part(elm.Resistor, (load_x, meter["VIN−"][1] - 0.3), (load_x, minus_y), "load", "left")
    sheet.wire(panel["−"], (load_x, minus_y), color=INK)
    sheet.wire((load_x, minus_y), (load_x, minus_y - 1.0), color=INK)
    sheet.dot((load_x, minus_y), color=INK)
    sheet.ground((load_x, minus_y - 1.0))
    # the shunt, inside the module
    x = 10.75
    sheet.part(elm.Resistor, (x, meter["VIN+"][1]), (x, meter["VIN−"][1]), f"{shunt_ohm():g} Ω")
    for name in ("VIN+", "VIN−"):
        sheet.wire((x - 0.5, meter[name][1]), (x, meter[name][1]), color=INK)
    sheet.wire(meter["VS"], board["3.3 V out"], color=POWER)
    sheet.wire(meter["SDA"], board[gpio("i2c_sda")])
    sheet.wire(meter["SCL"], board[gpio("i2c_scl")])
    sheet.wire(meter["GND"], board["GND"], color=INK)
    joint = meter["GND"][0] + 0.5
    for name in ("A0", "A1"):
        sheet.wire(meter[name], (joint, meter[name][1]), color=INK)
    sheet.wire((joint, meter["GND"][1]), (joint, meter["A1"][1] - 0.2), color=INK)
    sheet.dot((joint, meter["GND"][1]), (joint, meter["A0"][1]), (joint, meter["A1"][1]), color=INK)
    sheet.ground((joint, meter["A1"][1] - 0.2))
    sheet.text(7.3, meter["VIN−"][1] + 0.35, "bus voltage is measured here", 9.5, "center", QUIET)
    sheet.note(
        0,
        -7.2,
        "The current passes the shunt on the plus side; panel minus, load and sensor share the board's ground.",
        "Shunt: panel_shunt_microohm. On the bus: the barometer's pull-ups. 100 nF from VS to GND at the chip.",
        "An INA226 is wired in the same way.",
    )
    return sheet

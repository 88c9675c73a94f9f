"""The whole payload on one sheet: every wire by name, resistors and capacitors are on the sheets of the parts."""

import schemdraw.elements as elm

from hardware_notes.drawings.sheet import INK, POWER, QUIET, SIGNAL, Sheet
from hardware_notes.drawings.wired import address, gpio

_LEFT, _RIGHT = 0.0, 14.6


def draw():
    sheet = Sheet(
        "The whole payload", "The board in the middle, the sensors left, receiver, card, sounder and battery right."
    )
    sda, scl, wire = gpio("i2c_sda"), gpio("i2c_scl"), gpio("onewire_pin")
    board = sheet.box(
        5.6,
        0,
        6.4,
        "Board",
        (None, sda, scl, *[None] * 7, wire, None, None, None, None),
        (
            None,
            gpio("gnss_tx"),
            gpio("gnss_rx"),
            None,
            gpio("card_cs"),
            gpio("card_mosi"),
            gpio("card_miso"),
            gpio("card_sck"),
            None,
            gpio("sounder_pin"),
            None,
            None,
            "supply in",
            gpio("battery_pin"),
            "GND",
        ),
        f"its 3.3 V feeds all that says 3.3 V; LED on {gpio('led_pin')}",
    )
    _left_side(sheet, board, sda, scl, wire)
    _right_side(sheet, board)
    sheet.note(
        -5.2,
        -15.2,
        "A dot joins wires; wires that cross without one do not touch. All GND are one ground. Pull-ups and",
        "capacitors are on the parts' own sheets. Beacon and camera have their own batteries and no wire to this box.",
    )
    return sheet


def _supplied(sheet, ends, plus, minus, side, words="3.3 V"):
    """Supply symbols on the outer side of a part."""
    x, y = ends[plus]
    out = (x + side * 0.5, y)
    sheet.wire(ends[plus], out, (out[0], y + 0.2), color=POWER)
    sheet.plus((out[0], y + 0.2), words, 10)
    x, y = ends[minus]
    sheet.wire(ends[minus], (x + side * 0.5, y), color=INK)
    sheet.ground((x + side * 0.5, y))


def _left_side(sheet, board, sda, scl, wire):
    barometer = sheet.box(_LEFT, -0.9, 3.2, "MS5611", ("VDD", "GND"), ("SDA", "SCL"), address("pressure_address"))
    _supplied(sheet, barometer, "VDD", "GND", -1)
    meter = sheet.box(
        _LEFT, -4.5, 3.2, "INA219", ("VIN+", "VIN−", "VS", "GND"), ("SDA ", "SCL "), address("panel_address")
    )
    _supplied(sheet, meter, "VS", "GND", -1)
    for pin, board_pin, tap in (("SDA", sda, 4.6), ("SCL", scl, 4.1)):
        sheet.wire(board[board_pin], barometer[pin])
        end = meter[pin + " "]
        sheet.wire((tap, board[board_pin][1]), (tap, end[1]), end)
        sheet.dot((tap, board[board_pin][1]))
    panel = sheet.box(-5.2, -4.5, 1.6, "Panel", right=("+", None, None, "−"))
    sheet.wire(panel["+"], meter["VIN+"], color=POWER)
    load = -2.3
    sheet.wire(meter["VIN−"], (load, meter["VIN−"][1]), color=POWER)
    sheet.part(elm.Resistor, (load, meter["VIN−"][1]), (load, panel["−"][1]), "load", "left")
    sheet.wire(panel["−"], (load, panel["−"][1]), color=INK)
    sheet.dot((load, panel["−"][1]), color=INK)
    sheet.ground((load, panel["−"][1]))
    outside = sheet.box(_LEFT, -9.0, 3.2, "DS18B20 outside", ("VDD", "GND"), ("DQ",))
    inside = sheet.box(_LEFT, -12.2, 3.2, "DS18B20 inside", ("VDD", "GND"), ("DQ",))
    _supplied(sheet, outside, "VDD", "GND", -1)
    _supplied(sheet, inside, "VDD", "GND", -1)
    line, tap = board[wire], 4.6
    sheet.wire(line, outside["DQ"])
    sheet.wire((tap, line[1]), (tap, inside["DQ"][1]), inside["DQ"])
    sheet.dot((tap, line[1]))


def _right_side(sheet, board):
    receiver = sheet.box(_RIGHT, -0.9, 3.0, "GNSS receiver", ("RX", "TX"), ("VCC", "GND"))
    _supplied(sheet, receiver, "VCC", "GND", 1)
    sheet.wire(board[gpio("gnss_tx")], receiver["RX"])
    sheet.wire(board[gpio("gnss_rx")], receiver["TX"])
    card = sheet.box(_RIGHT, -3.6, 3.0, "SD card socket", ("CS", "DI", "DO", "SCLK"), ("VDD", None, None, "VSS"))
    _supplied(sheet, card, "VDD", "VSS", 1)
    for name, pin in (("cs", "CS"), ("mosi", "DI"), ("miso", "DO"), ("sck", "SCLK")):
        sheet.wire(board[gpio(f"card_{name}")], card[pin])
    sounder = sheet.box(_RIGHT, -8.1, 3.0, "sounder, transistor", ("in", None), ("+", "GND"))
    sheet.wire(board[gpio("sounder_pin")], sounder["in"])
    _supplied(sheet, sounder, "+", "GND", 1, "battery")
    power = sheet.box(_RIGHT, -10.8, 3.6, "battery", ("after the diode", "half the volts", "minus"))
    for name, pin, color in (
        ("supply in", "after the diode", POWER),
        (gpio("battery_pin"), "half the volts", SIGNAL),
        ("GND", "minus", INK),
    ):
        sheet.wire(board[name], power[pin], color=color)
    sheet.text(_RIGHT + 1.8, -14.05, "cells, fuse, switch, diode, divider", 9.5, "center", QUIET)

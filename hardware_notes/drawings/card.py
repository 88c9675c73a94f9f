"""The SD card on SPI: pull-ups on every data line, capacitors at the socket."""

import schemdraw.elements as elm

from hardware_notes.drawings.sheet import INK, POWER, Sheet
from hardware_notes.drawings.wired import gpio


def draw():
    sheet = Sheet(
        "Card", "SD card socket on SPI 0 with 10 kΩ pull-ups on CS, DI, DO, DAT1 and DAT2, 3.3 V, two capacitors."
    )
    lines = [gpio(f"card_{name}") for name in ("cs", "mosi", "miso", "sck")]
    board = sheet.box(0, 0, 4.8, "Board", right=("3.3 V out", *lines, "GND"), note="SPI 0 · card_spi")
    card = sheet.box(16.2, 0, 3.2, "SD card socket", ("VDD", "CS", "DI", "DO", "SCLK", "VSS"), (None, "DAT1", "DAT2"))
    high, low = board["3.3 V out"][1], board["GND"][1]
    sheet.wire(board["3.3 V out"], card["VDD"], color=POWER)
    sheet.wire(board["GND"], card["VSS"], color=INK)
    for name, pin in zip(lines, ("CS", "DI", "DO", "SCLK"), strict=True):
        sheet.wire(board[name], card[pin])
    for number, name in enumerate(lines[:3]):
        x = 6.3 + 1.9 * number
        sheet.part(elm.Resistor, (x, high + 2.0), (x, high + 0.5), "10 kΩ")
        sheet.wire((x, high + 0.5), (x, board[name][1]))
        sheet.plus((x, high + 2.0))
        sheet.dot((x, board[name][1]))
    for x, words in ((12.6, "10 µF"), (15.0, "100 nF")):
        sheet.part(elm.Capacitor, (x, high), (x, low), words, "left")
        sheet.dot((x, high), color=POWER)
        sheet.dot((x, low), color=INK)
    for name, x in (("DAT1", 20.4), ("DAT2", 22.4)):
        sheet.wire(card[name], (x, card[name][1]), (x, high + 0.5))
        sheet.part(elm.Resistor, (x, high + 2.0), (x, high + 0.5), "10 kΩ")
        sheet.plus((x, high + 2.0))
    sheet.note(
        0,
        -7.0,
        "A card is a 3.3 V part: never 5 V on any pin. "
        "Many sockets have these resistors already; look before you add more.",
        "DI is the card's input, DO its output. The capacitors sit at the socket: a card takes its current in bursts.",
    )
    return sheet

"""The GNSS receiver on the UART: crossed lines, its own capacitors, backup supply."""

import schemdraw.elements as elm

from hardware_notes.drawings.sheet import INK, POWER, Sheet
from hardware_notes.drawings.wired import gpio


def draw():
    sheet = Sheet(
        "GNSS receiver",
        "Board's TX to the receiver's RX and the other way round; 3.3 V with two capacitors; backup supply.",
    )
    tx, rx = gpio("gnss_tx"), gpio("gnss_rx")
    board = sheet.box(0, 0, 4.6, "Board", right=("3.3 V out", tx, rx, "GND"))
    receiver = sheet.box(
        13.6,
        0,
        3.6,
        "GNSS receiver",
        ("VCC", "RX", "TX", "GND"),
        ("RF in", None, "V_BCKP", "PPS"),
        "on UART 1 · gnss_uart",
    )
    sheet.wire(board["3.3 V out"], receiver["VCC"], color=POWER)
    sheet.wire(board[tx], receiver["RX"])
    sheet.wire(board[rx], receiver["TX"])
    sheet.wire(board["GND"], receiver["GND"], color=INK)
    for x, words in ((8.4, "10 µF"), (11.4, "100 nF")):
        sheet.part(elm.Capacitor, (x, board["3.3 V out"][1]), (x, board["GND"][1]), words, "left")
        sheet.dot((x, board["3.3 V out"][1]), color=POWER)
        sheet.dot((x, board["GND"][1]), color=INK)
    x, y = receiver["RF in"]
    sheet.wire((x, y), (x + 1.2, y), color=INK)
    sheet.add(elm.Antenna().at((x + 1.2, y)).theta(0).color(INK))
    x, y = receiver["V_BCKP"]
    sheet.wire((x, y), (x + 1.0, y), (x + 1.0, y + 0.25), color=POWER)
    sheet.plus((x + 1.0, y + 0.25), size=10)
    x, y = receiver["PPS"]
    sheet.add(elm.NoConnect().at((x, y)).theta(0).color(INK))
    sheet.note(
        0,
        -5.2,
        "The board's TX goes to RX, its RX to TX. V_BCKP: to 3.3 V on a bare module;",
        "leave it alone where the module has a cell or a capacitor of its own. PPS stays open.",
        "The signal levels are 3.3 V on both sides, whatever VCC the module takes.",
    )
    return sheet

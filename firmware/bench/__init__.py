"""The board's side of the bench: the flight computer as it flies, with a line to the ground.

Nothing here is loaded in flight. The ground interrupts the firmware, resets the board softly into its raw REPL (so that
main.py does not run) and then runs `from firmware.bench import run; run()`.
"""


def run() -> None:
    """Run the flight computer with its line to the ground until the ground says stop; then the caller has the board."""
    from firmware.bench.usb_line import UsbLine

    line = UsbLine()
    line.open()  # first of all: the ground is asking already, and its bytes must not stop us
    try:
        from firmware.bench.session import Session

        Session(line).run()
    finally:
        line.close()

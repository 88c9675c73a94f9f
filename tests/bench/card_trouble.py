"""Print what each kind of trouble with the card costs: `python -m tests.bench.card_trouble`.

Every kind befalls the card one minute after power-up of a flight on MicroPython with our own card driver. Seconds lost
are those without one pressure reading (ten are due in each) on the card alone, and on card and flash together.
"""

import tempfile
from pathlib import Path

from tests.journeys.card_trouble import KINDS, fly_kind


def main():
    print(f"{'trouble':26} {'card: s lost':>12} {'both: s lost':>12} {'longest gap':>12} {'longest turn':>13}  events of card and copy")
    for kind in KINDS:
        with tempfile.TemporaryDirectory() as folder:
            trouble = fly_kind(Path(folder), kind)
            both = {**trouble.card, **trouble.flash}
            names = [name for _, name, _, _ in trouble.events() if name.startswith(("card", "copy", "log", "records"))]
            told = ", ".join(f"{name} x{names.count(name)}" if names.count(name) > 1 else name for name in dict.fromkeys(names))
            print(
                f"{kind:26} {trouble.lost_s(trouble.card):12} {trouble.lost_s(both):12} {trouble.gap_s(both):10.1f} s "
                f"{trouble.loop_ms_max():10} ms  {told}", flush=True,
            )
            for complaint in trouble.flight.complaints():
                print("    " + complaint)


if __name__ == "__main__":
    main()

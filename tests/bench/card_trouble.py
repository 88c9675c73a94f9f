"""Print what each kind of trouble with the card costs: `python -m tests.bench.card_trouble`.

Every kind befalls the card one minute after power-up of a flight on MicroPython with our own card driver. Seconds lost
are those without one pressure reading (ten are due in each) on the card alone, and on card and flash together.
"""

import tempfile
from pathlib import Path

from tests.journeys.card_trouble import KINDS, fly_kind


def main():
    print(f"{'trouble':32} card: s lost both: s lost  longest gap  longest turn  events of card and copy")
    for kind in KINDS:
        with tempfile.TemporaryDirectory() as folder:
            trouble = fly_kind(Path(folder), kind)
            both = {**trouble.card, **trouble.flash}
            names = [name for _, name, _, _ in trouble.events() if name.startswith(("card", "copy", "log", "records"))]
            counts = {name: names.count(name) for name in names}
            told = ", ".join(f"{name} x{count}" if count > 1 else name for name, count in counts.items())
            print(
                f"{kind:32} {trouble.lost_s(trouble.card):12} {trouble.lost_s(both):12} {trouble.gap_s(both):10.1f} s "
                f"{trouble.loop_ms_max():10} ms  {told}", flush=True,
            )
            for complaint in trouble.flight.complaints():
                print("    " + complaint)


if __name__ == "__main__":
    main()

"""Draws every sheet into its SVG: python -m hardware_notes.drawings."""

from importlib import import_module
from pathlib import Path

FOLDER = Path(__file__).parent
NAMES = (
    "whole_payload",
    "battery",
    "card",
    "barometer",
    "barometer_bmp280",
    "thermometers",
    "thermometer_tmp117",
    "panel",
    "gnss",
    "signals",
    "panel_loads",
)


def drawn(name):
    """The SVG of one drawing, as its script draws it now."""
    made = import_module(f"hardware_notes.drawings.{name}").draw()
    return made if isinstance(made, str) else made.svg()


def main():
    for name in NAMES:
        (FOLDER / f"{name}.svg").write_text(drawn(name), encoding="utf-8", newline="\n")
        print(f"hardware_notes/drawings/{name}.svg")


if __name__ == "__main__":
    main()

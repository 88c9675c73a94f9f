"""The computed tables of the pages: `python -m hardware_notes.tables` puts them between their marks."""

import re
from pathlib import Path

from hardware_notes import panel_numbers, power_budget

FOLDER = Path(__file__).parent
TABLES = {
    "panel.md": {"loads": panel_numbers.load_table, "cold": panel_numbers.cold_table},
    "power.md": {
        "currents": power_budget.load_table,
        "hours": power_budget.hours_table,
        "volts": power_budget.volts_table,
    },
}


def filled(page, text):
    """The text of a page with its tables computed afresh.

    Raises
    ------
    ValueError
        If the page lacks the marks of one of its tables.
    """
    for name, make in TABLES[page].items():
        marks = re.compile(rf"(<!-- computed: {name} -->\n).*?(<!-- end -->)", re.DOTALL)
        if len(marks.findall(text)) != 1:
            raise ValueError(f"{page}: needs <!-- computed: {name} --> and <!-- end --> once")
        found = marks.search(text)
        text = f"{text[: found.end(1)]}{make()}\n{text[found.start(2) :]}"
    return text


def main():
    for page in TABLES:
        path = FOLDER / page
        path.write_text(filled(page, path.read_text(encoding="utf-8")), encoding="utf-8", newline="\n")
        print(f"hardware_notes/{page}")


if __name__ == "__main__":
    main()

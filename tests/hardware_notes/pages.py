"""The pages of hardware_notes as the tests read them: tables, links, headings."""

import re
from pathlib import Path

FOLDER = Path(__file__).parents[2] / "hardware_notes"
PAGES = sorted(path.name for path in FOLDER.glob("*.md"))


def text_of(page):
    return (FOLDER / page).read_text(encoding="utf-8")


def tables(page):
    """Every table of a page, as a list of dicts from column head to cell."""
    found = []
    for block in re.findall(r"(?:^\|.*\|\n)+", text_of(page) + "\n", flags=re.MULTILINE):
        rows = [[cell.strip() for cell in line.strip().strip("|").split("|")] for line in block.splitlines()]
        assert all(len(row) == len(rows[0]) for row in rows), f"{page}: a ragged table under {rows[0]}"
        found.append([dict(zip(rows[0], row, strict=True)) for row in rows[2:]])
    return found


def wiring_rows(page):
    """Rows of the tables that say what goes where."""
    return [row for table in tables(page) if table and {"goes to", "setting"} <= set(table[0]) for row in table]


def links(page):
    """Targets of links and pictures that are not on the web."""
    return [target for target in re.findall(r"\]\(([^)\s]+)\)", text_of(page)) if "://" not in target]


def anchors(page):
    """Headings as links name them."""
    heads = re.findall(r"^#+ (.+)$", text_of(page), flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}

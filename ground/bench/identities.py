"""Which very sensor a reading came from: a calibration belongs to a specimen and not to a place in the box.

A barometer is known by its own calibration words, a thermometer by its code or serial number, current sensor and
battery divider by the board they are soldered to.
"""

from binascii import crc32

_PRESSURE_WORDS = {"pressure_cal": [f"c{n}" for n in range(8)],
                   "bmp280_cal": ["t1", "t2", "t3", *(f"p{n}" for n in range(1, 10))]}  # fmt: skip


def identities(tables):
    """Identity of each quantity's sensor, by quantity; those that the tables do not tell are left out.

    A sensor that was exchanged within the tables has no single identity and is left out as well.

    Parameters
    ----------
    tables : dict of str to Table
    """
    found = {}
    for name, words in _PRESSURE_WORDS.items():
        for row in _distinct(tables, name, ["chip", *words]):
            text = ",".join(str(value) for value in row[1:])
            found.setdefault("pressure", set()).add(f"{row[0]}:{crc32(text.encode()):08x}")
    for name, code in (("probe", "rom"), ("i2c_probe", "serial")):
        for place, chip, number in _distinct(tables, name, ["probe", "chip", code]):
            if place in ("outside", "inside"):
                found.setdefault(place, set()).add(f"{chip}:{number}")
    boards = {row[0] for row in _distinct(tables, "boot", ["board_id"])}
    for board in boards:
        found.setdefault("battery", set()).add(f"board:{board}")
        for _, chip in _distinct(tables, "channel", ["channel", "chip"]):
            for quantity in ("volts", "current"):
                found.setdefault(quantity, set()).add(f"{chip}:board:{board}")
    return {quantity: next(iter(names)) for quantity, names in found.items() if len(names) == 1}


def _distinct(tables, name, columns):
    table = tables.get(name)
    if table is None or not len(table) or any(column not in table.columns for column in columns):
        return set()
    lists = [_list(table[column]) for column in columns]
    return set(zip(*lists, strict=True))


def _list(column):
    return column.to_list() if hasattr(column, "to_list") else column.tolist()

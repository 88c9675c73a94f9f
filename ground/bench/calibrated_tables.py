"""A bench record's calibrations applied to a flight's tables; `decode` calls this.

Raw words stay as they are. A calibrated column keeps its name, because everybody who reads it wants the better number;
what the data sheet's formula alone had made of the words stands beside it as `..._as_read_...`. A calibration whose
sensor is not the flight's is not used, and that is said.
"""

from pathlib import Path

import numpy as np

from ground.bench.calibration import QUANTITIES, calibrations_of, point_from_dict
from ground.bench.identities import identities
from ground.documents import read_json
from ground.errors import InputError

NAME = "bench.json"
_KEPT_AS = {
    "pressure_hpa": "pressure_as_read_hpa", "temperature_c": "temperature_as_read_c", "bus_v": "bus_as_read_v",
    "current_ma": "current_as_read_ma", "battery_v": "battery_as_read_v",
}  # fmt: skip


def find_record(source, out_dir):
    """The bench record that lies with a flight: in the source's folder, beside its file, in the goal; or None."""
    source, out_dir = Path(source), Path(out_dir)
    places = (source if source.is_dir() else source.parent, out_dir)
    return next((place / NAME for place in places if (place / NAME).is_file()), None)


def load_calibrations(path):
    """The calibrations of a bench record.

    Raises
    ------
    InputError
        If the file cannot be read or is no bench record.
    """
    no_record = (
        "is no bench record of Thistledown; make it again with `thistledown bench`, or move it away to decode without "
        "a calibration"
    )
    record = read_json(path, no_record, "move it away to decode without a calibration")
    try:
        points = [point_from_dict(raw) for raw in record["calibration_points"]]
    except (KeyError, TypeError):
        raise InputError(f"{path}: {no_record}") from None
    except InputError as error:
        raise InputError(f"{path}: {error}; move it away to decode without a calibration") from None
    return calibrations_of(points)


def apply(tables, calibrations):
    """Calibrate tables in place.

    Parameters
    ----------
    tables : dict of str to Table
    calibrations : list of Calibration

    Returns
    -------
    (list of dict, list of str)
        What was applied, as integrity.json has it; notes in words about what was and what was not.
    """
    own, applied, notes = identities(tables), [], []
    for calibration in calibrations:
        quantity = QUANTITIES[calibration.quantity]
        here = own.get(calibration.quantity)
        if here != calibration.identity:
            flew = "another one flew" if here else "none that names itself flew"
            notes.append(
                f"the bench's calibration of the {quantity.title} was not used: it is another sensor's, {flew}"
            )
            continue
        count = _calibrate(tables, calibration, quantity)
        applied.append(calibration.as_dict() | {"readings": count})
        notes.append(f"calibrated by the bench record, {calibration.sentence()}; raw words are as they were")
    if any(one["quantity"] in ("volts", "current") for one in applied):
        power = tables["power"]
        power.columns["power_mw"] = power["bus_v"] * power["current_ma"]
    return applied, notes


def _calibrate(tables, calibration, quantity):
    table = tables.get(quantity.table)
    if table is None or not len(table):
        return 0
    column = quantity.column
    rows = np.ones(len(table), dtype=bool)
    for name, word in quantity.words:
        rows &= table[name].is_word(word)
    as_read = table[column]
    kept = _KEPT_AS[column]
    if kept not in table.columns:
        table.columns[kept] = as_read.copy()
        table.about[kept] = dict(table.about.get(column, {})) | {"meaning": f"{column} before the bench's calibration"}
    values = as_read.copy()
    values[rows] = calibration.corrected(as_read[rows])
    table.columns[column] = values
    about = dict(table.about.get(column, {}))
    said = about.get("calibration")
    about["calibration"] = f"{said}; {calibration.sentence()}" if said else calibration.sentence()
    table.about[column] = about
    return int((rows & np.isfinite(values)).sum())

"""A flight folder read into memory, forgivingly: what is absent or misshapen becomes an empty table, never an error.

Only two things stop the report: a folder that is no flight folder, and a file that is there but cannot be read. A
flight without GPS, without a panel or with one probe only is an ordinary flight, and its page says what is missing.
"""

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from ground.documents import read_json
from ground.errors import InputError
from ground.report import refuse_what_is_no_flight
from ground.report.stand_in import with_clockless_boots
from ground.simulated import NOTE_NAME, note_of_folder

TABLES = ("fix", "pressure", "temperature", "humidity", "power", "event", "health", "boot", "probe", "channel")
NUMBER, TEXT = "number", "text"
# The columns that the report looks at. Others are not even loaded: a pressure table has 100 000 rows.
COLUMNS = {
    "flight": {
        "phase": TEXT,
        "latitude_deg": NUMBER,
        "longitude_deg": NUMBER,
        "altitude_m": NUMBER,
        "altitude_source": TEXT,
        "pressure_hpa": NUMBER,
        "pressure_altitude_m": NUMBER,
        "climb_mps": NUMBER,
    },
    "fix": {
        "latitude_deg": NUMBER,
        "longitude_deg": NUMBER,
        "altitude_m": NUMBER,
        "fix_type": TEXT,
        "satellites": NUMBER,
    },
    "pressure": {"sensor": TEXT, "pressure_hpa": NUMBER, "temperature_c": NUMBER},
    "temperature": {"probe": TEXT, "temperature_c": NUMBER},
    "humidity": {"sensor": TEXT, "humidity_pct": NUMBER},
    "power": {"channel": TEXT, "bus_v": NUMBER, "current_ma": NUMBER, "power_mw": NUMBER},
    "event": {"code": NUMBER, "source": TEXT, "unit": NUMBER, "text": TEXT},
    "health": {"battery_v": NUMBER},
    "boot": {"cause": NUMBER},
    "probe": {"probe": TEXT, "number": NUMBER},
    "channel": {"channel": TEXT, "number": NUMBER},
    "truth": {
        "latitude_deg": NUMBER,
        "longitude_deg": NUMBER,
        "altitude_m": NUMBER,
        "pressure_hpa": NUMBER,
        "air_temperature_c": NUMBER,
        "phase": TEXT,
    },
}
COMMON = {"boot": NUMBER, "t_ms": NUMBER, "utc": TEXT, "flags": TEXT}


@dataclass
class FlightFolder:
    """The tables and notes of one flight.

    Attributes
    ----------
    path : Path
    flight : pandas.DataFrame
        One row a second; boots without a time of day have rows too, see stand_in.py.
    tables : dict of str to pandas.DataFrame
        Each with the columns of `COLUMNS` and `COMMON`; no rows where the table is absent.
    truth : pandas.DataFrame or None
        What the simulator knows, of a simulated flight.
    integrity, results, simulation : dict
        The JSON files (empty where absent); `simulation` is `flight.json`, which a simulated flight leaves behind, or
        what `decode` took from it.
    """

    path: Path
    flight: pd.DataFrame
    tables: dict = field(default_factory=dict)
    truth: pd.DataFrame | None = None
    integrity: dict = field(default_factory=dict)
    results: dict = field(default_factory=dict)
    simulation: dict = field(default_factory=dict)

    @property
    def is_simulated(self):
        """Whether a truth table or the simulator's own note lies in the folder."""
        return self.truth is not None or bool(self.simulation)


def load_folder(path):
    """The flight folder at `path`.

    Raises
    ------
    InputError
        If there is no such folder, no flight table in it, or a file of it cannot be read.
    """
    path = Path(path)
    refuse_what_is_no_flight(path)
    flight = _table(path, "flight", "flight")
    tables = {}
    for name in TABLES:
        tables[name] = _table(path / "tables", name, name)
        if tables[name] is None:
            tables[name] = _shaped(pd.DataFrame(), name)
    return FlightFolder(
        path=path,
        flight=with_clockless_boots(flight, tables),
        tables=tables,
        truth=_table(path, "truth", "truth"),
        integrity=_json(path / "integrity.json"),
        results=_json(path / "results.json"),
        simulation=_json(path / NOTE_NAME) or note_of_folder(path) or {},
    )


def _table(folder, stem, name):
    """The table `stem` as Parquet or CSV, in the shape of `COLUMNS[name]`; None if neither is there."""
    parquet, csv = folder / f"{stem}.parquet", folder / f"{stem}.csv"
    wanted = {**COMMON, **COLUMNS[name]}
    try:
        if parquet.is_file():
            import pyarrow.parquet as pq

            present = pq.read_schema(parquet).names
            return _shaped(pd.read_parquet(parquet, columns=[c for c in present if c in wanted]), name)
        if csv.is_file():
            return _shaped(pd.read_csv(csv, usecols=lambda column: column in wanted, low_memory=False), name)
    except Exception as error:  # pyarrow and pandas raise a dozen kinds for a damaged file; the reader needs one line
        broken = parquet if parquet.is_file() else csv
        reason = " ".join(str(error).split())[:120]
        raise InputError(f"{broken}: cannot be read as a table ({reason}); decode the flight again") from None
    return None


def _shaped(frame, name):
    """The frame with every column of `COLUMNS[name]`, numbers as float64 and text as str or None."""
    shaped = {}
    for column, kind in {**COMMON, **COLUMNS[name]}.items():
        if column not in frame.columns:
            shaped[column] = np.full(len(frame), np.nan) if kind == NUMBER else np.full(len(frame), None)
        elif kind == NUMBER:
            shaped[column] = pd.to_numeric(frame[column], errors="coerce").to_numpy(dtype="float64", na_value=np.nan)
        else:
            shaped[column] = frame[column].to_numpy()
    return pd.DataFrame(shaped)


def _json(path):
    """The object in a JSON file; empty if there is no such file."""
    if not path.is_file():
        return {}
    value = read_json(path, "cannot be read as JSON; decode the flight again", "decode the flight again")
    return value if isinstance(value, dict) else {}

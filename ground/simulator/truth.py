"""The truth table of a simulated flight: one row a second, written as Parquet with units and descriptions."""

import json
from pathlib import Path

import numpy as np

PHASES = ("ground", "ascending", "descending", "landed")  # by the number in a world's column `phase`

# name: unit, description. The design's names first; probes are added by name.
COLUMNS = {
    "utc": ("", "moment, ISO 8601, UTC"),
    "latitude_deg": ("deg", "WGS-84, north positive"),
    "longitude_deg": ("deg", "WGS-84, east positive"),
    "altitude_m": ("m", "above mean sea level"),
    "pressure_hpa": ("hPa", "of the air at the box"),
    "air_temperature_c": ("degC", "of the air at the box, not of any probe"),
    "climb_mps": ("m/s", "vertical speed, up positive"),
    "phase": ("", "ground, ascending, descending or landed"),
    "speed_east_mps": ("m/s", "towards the east"),
    "speed_north_mps": ("m/s", "towards the north"),
    "geoid_separation_m": ("m", "geoid above the WGS-84 ellipsoid"),
    "box_c": ("degC", "inside the box"),
    "box_humidity_pct": ("%", "relative humidity inside the box, over water"),
    "panel_bus_v": ("V", "panel's load, after the shunt"),
    "panel_current_ma": ("mA", "through panel, shunt and load"),
    "battery_v": ("V", "battery terminals under load"),
    "sun_elevation_deg": ("deg", "apparent elevation of the sun"),
    "direct_wm2": ("W/m2", "direct sunlight across the beam"),
    "sky_wm2": ("W/m2", "scattered light on a level surface from above"),
    "irradiance_wm2": ("W/m2", "light on the panel's face, after angle losses"),
    "incidence_deg": ("deg", "between the panel's normal and the sun"),
    "panel_cell_c": ("degC", "panel cells"),
}
_DESIGN = ("latitude_deg", "longitude_deg", "altitude_m", "pressure_hpa", "air_temperature_c", "climb_mps", "phase")


def truth_columns(world):
    """Name -> array, one row a second; `utc` and `phase` hold str."""
    stride = 1000 // world.step_ms
    rows = {name: column[::stride] for name, column in world.columns.items()}
    start_ms = round(world.start_utc.timestamp() * 1000)
    moments = (start_ms + 1000 * np.arange(len(rows["altitude_m"]), dtype=np.int64)).astype("datetime64[ms]")
    table = {"utc": np.char.add(np.datetime_as_string(moments, unit="ms"), "Z")}
    rows["phase"] = np.array(PHASES)[rows["phase"].astype(int)]
    for name in _DESIGN:
        table[name] = rows.pop(name)
    return table | rows


def write_truth_file(world, path):
    """Write `truth_columns` as Parquet. Schema metadata: the scenario and the facts of the world, as JSON."""
    import pyarrow
    import pyarrow.parquet

    table = truth_columns(world)
    fields, arrays = [], []
    for name, column in table.items():
        unit, description = COLUMNS.get(name, ("degC", "sensing element of a thermometer"))
        array = pyarrow.array(column)
        arrays.append(array)
        fields.append(pyarrow.field(name, array.type, metadata={"unit": unit, "description": description}))
    about = {
        "description": "Truth of a simulated flight, once a second",
        "scenario": world.scenario.model_dump_json(),
        "facts": json.dumps(dict(world.facts)),
    }
    schema = pyarrow.schema(fields, metadata=about)
    pyarrow.parquet.write_table(pyarrow.Table.from_arrays(arrays, schema=schema), Path(path))

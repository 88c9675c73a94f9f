"""Table `health`: the board about itself."""

import numpy as np

from ground.decode.frames.wire import KIND_OF_NAME
from ground.decode.table import Table, float_or_nan


def health(records):
    """The board about itself."""
    rows = records.rows[KIND_OF_NAME["health"]]
    full_scale_v = float_or_nan(rows["battery_full_scale"].astype(np.int64), 1000)
    battery_v = rows["battery_raw"] / 65535.0 * full_scale_v
    battery_v[rows["battery_full_scale"] == 0] = np.nan  # no divider in the settings, no voltage
    columns = {"battery_v": battery_v}
    for name, field in (
        ("loop_max_ms", "loop_max"),
        ("card_write_max_ms", "card_write_max"),
        ("card_errors", "card_errors"),
        ("bus_errors", "bus_errors"),
        ("gnss_bad", "gnss_bad"),
        ("heap_free_bytes", "heap_free"),
        ("sectors", "sectors"),
        ("battery_raw", "battery_raw"),
    ):
        columns[name] = rows[field].astype(np.int64)
    about = {
        "battery_v": {"unit": "V", "meaning": "at the board's ADC, through the divider of the settings"},
        "loop_max_ms": {"unit": "ms", "meaning": "longest turn of the loop since the last row"},
        "card_write_max_ms": {"unit": "ms", "meaning": "longest card write since the last row"},
        "card_errors": {"meaning": "failed card writes since power-up"},
        "bus_errors": {"meaning": "failed chip readings since power-up"},
        "gnss_bad": {"meaning": "receiver messages with a wrong checksum since power-up"},
        "heap_free_bytes": {"unit": "byte"},
        "sectors": {"meaning": "written since power-up"},
        "battery_raw": {"meaning": "ADC reading, 0 to 65535"},
    }
    return Table("health", columns, about)

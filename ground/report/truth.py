"""How far the decoded flight lies from what the simulator knows, in sentences for the page."""

import numpy as np

from ground.report import flags
from ground.report.series import at_times
from ground.report.story import gps_heights
from ground.report.timeline import utc_ms


def sentences(folder, timeline, story):
    """Differences to the truth table; nothing for a real flight, or where no time of day joins the two."""
    if folder.truth is None or not timeline.has_utc:
        return []
    known_ms = utc_ms(folder.truth["utc"])
    out = []
    top = folder.truth["altitude_m"].max()
    if np.isfinite(top):
        out.append(f"The simulated balloon really reached {top:,.0f} m.")
    rows = (
        ("the GPS altitudes lie", *gps_heights(folder, timeline), "altitude_m", "m"),
        (
            "the pressures lie",
            timeline.times(folder.flight),
            folder.flight["pressure_hpa"].to_numpy(),
            "pressure_hpa",
            "hPa",
        ),
        ("the outside probe's readings lie", *_outside(folder, timeline), "air_temperature_c", "°C"),
    )
    for name, times, values, column, unit in rows:
        off = np.abs(values - at_times(times, known_ms, folder.truth[column].to_numpy()))
        off = off[np.isfinite(off)]
        if len(off):
            truth = "the temperature of the air it flew through" if column == "air_temperature_c" else "the truth"
            out.append(
                f"Half of {name} within {np.median(off):.2g} {unit} of {truth}, 95 of 100 within "
                f"{np.quantile(off, 0.95):.2g} {unit}."
            )
    return out


def _outside(folder, timeline):
    table = folder.tables["temperature"]
    at = (table["probe"].astype(str) == "outside").to_numpy() & ~flags.is_unfit(table["flags"])
    return timeline.times(table)[at], table["temperature_c"].to_numpy()[at]

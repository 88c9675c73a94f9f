"""Makes small but realistic flight folders for the report's tests, in the design's names of files and columns.

Nothing here is a model to trust: a straight ascent, a fall slowed by thick air, a layered temperature, a panel on a
spinning box. The decoder's own folders are tried in the journeys; this maker makes the awkward ones.
"""

import json
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

START = pd.Timestamp("2031-05-17T07:42:10.000Z")
SITE = (57.1204, 14.0316, 168.0)


@dataclass
class Wanted:
    """What the folder should be like."""

    minutes_up: float = 98.0
    wait_s: int = 600
    stay_s: int = 900
    flies: bool = True
    gps: bool = True
    panel: bool = True
    battery: bool = True
    probes: tuple = ("outside", "inside")
    channel: str = "panel"
    utc: bool = True
    clockless_boots: tuple = ()
    cuts_s: tuple = (3400,)  # power cuts, seconds after the first power-up
    pause_s: float = 14.0
    simulated: str | None = "micropython"
    csv: bool = False
    extra_events: list = field(default_factory=list)
    seed: int = 5


def make_folder(path, **changes):
    """Write a flight folder at `path` and return `path`."""
    wanted = Wanted(**changes)
    path.mkdir(parents=True, exist_ok=True)
    (path / "tables").mkdir(exist_ok=True)
    rng = np.random.default_rng(wanted.seed)
    world = _world(wanted)
    boots = _boots(wanted, len(world["t"]))
    tables = {name: _stamped(table, boots, wanted) for name, table in _tables(world, wanted, rng).items()}
    tables["event"] = _events(world, boots, wanted)
    flight = _flight(world, boots, wanted, rng)
    for name, table in tables.items():
        if len(table):
            _write(table, path / "tables" / name, wanted)
    _write(flight, path / "flight", wanted)
    (path / "integrity.json").write_text(json.dumps(_integrity(tables, boots)))
    if wanted.simulated:
        truth = pd.DataFrame(
            {
                "utc": _iso(world["t"] * 1000.0),
                "latitude_deg": world["lat"],
                "longitude_deg": world["lon"],
                "altitude_m": world["alt"],
                "pressure_hpa": world["p"],
                "air_temperature_c": world["air"],
                "climb_mps": world["climb"],
                "phase": world["phase"],
            }
        )
        truth.to_parquet(path / "truth.parquet")
        (path / "flight.json").write_text(
            json.dumps({"scenario": "drill", "runtime": wanted.simulated, "seed": wanted.seed})
        )
    return path


def _world(wanted):
    up = int(wanted.minutes_up * 60) if wanted.flies else 0
    alt = [SITE[2]] * wanted.wait_s
    for second in range(up):
        alt.append(alt[-1] + 5.1 + 0.4 * np.sin(second / 200))
    while wanted.flies and alt[-1] > 205.0:
        alt.append(max(205.0, alt[-1] - 5.2 * np.exp(alt[-1] / 15200)))
    landed = len(alt)
    alt += [alt[-1]] * wanted.stay_s
    alt = np.array(alt)
    t = np.arange(len(alt), dtype=float)
    phase = np.full(len(alt), "ground", dtype=object)
    if wanted.flies:
        phase[wanted.wait_s : wanted.wait_s + up] = "ascending"
        phase[wanted.wait_s + up : landed] = "descending"
        phase[landed:] = "landed"
    air = np.interp(alt, [0, 11000, 20000, 32000], [13.0, -57.0, -57.0, -44.0])
    p = 1013.25 * np.exp(-alt / 7200.0)
    wind = np.where(
        (phase == "ascending") | (phase == "descending"), 4 + alt / 1500 * np.exp(-(((alt - 11000) / 9000) ** 2)), 0
    )
    east, north = np.cumsum(wind * 0.9), np.cumsum(wind * 0.35 * np.sin(alt / 9000))
    return {
        "t": t,
        "alt": alt,
        "climb": np.gradient(alt),
        "phase": phase,
        "air": air,
        "p": p,
        "lat": SITE[0] + north / 111200,
        "lon": SITE[1] + east / (111200 * np.cos(np.radians(SITE[0]))),
    }


def _boots(wanted, seconds):
    """(first second, last second, number) of each power-up."""
    starts = [0.0] + [cut + wanted.pause_s for cut in wanted.cuts_s]
    ends = [*wanted.cuts_s, float(seconds)]
    return [(start, end, 41 + k) for k, (start, end) in enumerate(zip(starts, ends, strict=True))]


def _tables(world, wanted, rng):
    t, out = world["t"], {}
    fine = np.arange(0, t[-1], 0.5)
    lagged = pd.Series(world["air"]).ewm(alpha=1 / 30).mean().to_numpy()
    box = pd.Series(np.maximum(world["air"] + 34, -12)).ewm(alpha=1 / 900).mean().to_numpy()
    out["pressure"] = pd.DataFrame(
        {
            "t": fine,
            "sensor": 0,
            "pressure_hpa": np.interp(fine, t, world["p"]) + rng.normal(0, 0.1, len(fine)),
            "temperature_c": np.interp(fine, t, box),
            "d1": 1,
            "d2": 2,
            "flags": "",
        }
    )
    thermometers = [
        pd.DataFrame(
            {
                "t": t + 0.1 * k,
                "probe": name,
                "temperature_c": np.round(16 * (lagged if k == 0 else box)) / 16,
                "raw": 1,
                "flags": "",
            }
        )
        for k, name in enumerate(wanted.probes)
    ]
    for table in thermometers:
        table.loc[0, ["temperature_c", "flags"]] = [85.0, "after_reset"]
    out["temperature"] = pd.concat(thermometers) if thermometers else pd.DataFrame()
    if wanted.panel:
        sun = np.clip(np.sin(fine * 0.9 + 3 * np.sin(fine / 40)), 0, 1)
        current = (55 + 25 * np.interp(fine, t, world["alt"]) / 30000) * (0.15 + 0.85 * sun) + rng.normal(
            0, 0.3, len(fine)
        )
        volts = 4.4 + 0.9 * np.tanh(current / 40)
        out["power"] = pd.DataFrame(
            {
                "t": fine,
                "channel": wanted.channel,
                "bus_v": volts,
                "shunt_v": current * 1e-4,
                "current_ma": current,
                "power_mw": volts * current,
                "bus": 1,
                "shunt": 1,
                "flags": "",
            }
        )
    if wanted.battery:
        slow = t[::5]
        out["health"] = pd.DataFrame(
            {
                "t": slow,
                "battery_v": 4.1 - 0.6 * slow / max(t[-1], 1) + rng.normal(0, 0.005, len(slow)),
                "loop_max_ms": 12,
                "card_errors": 0,
                "bus_errors": 0,
                "heap_free": 90000,
                "sectors": 1,
            }
        )
    if wanted.gps:
        seen = t >= 35
        out["fix"] = pd.DataFrame(
            {
                "t": t + 0.12,
                "latitude_deg": np.where(seen, world["lat"] + rng.normal(0, 2e-5, len(t)), np.nan),
                "longitude_deg": np.where(seen, world["lon"] + rng.normal(0, 3e-5, len(t)), np.nan),
                "altitude_m": np.where(seen, world["alt"] + rng.normal(0, 4, len(t)), np.nan),
                "ellipsoid_height_m": world["alt"] + 33,
                "speed_mps": 5.0,
                "course_deg": 80.0,
                "climb_mps": world["climb"],
                "satellites": np.where(seen, 11, 2),
                "hdop": 0.9,
                "fix_type": np.where(seen, "3d", "none"),
                "gnss_utc": _iso(t * 1000),
                "flags": "",
            }
        )
    return out


def _stamped(table, boots, wanted):
    """Rows without the moments of no power, with boot, t_ms and utc in front."""
    if not len(table):
        return table
    t = table["t"].to_numpy()
    parts = []
    for start, end, number in boots:
        part = table[(t >= start) & (t < end)].drop(columns="t")
        own = t[(t >= start) & (t < end)]
        part.insert(0, "boot", number)
        part.insert(1, "t_ms", np.round((own - start) * 1000).astype(int))
        part.insert(2, "utc", _iso(own * 1000) if wanted.utc and number not in wanted.clockless_boots else None)
        parts.append(part)
    return pd.concat(parts, ignore_index=True)


def _flight(world, boots, wanted, rng):
    t = world["t"]
    pressure = world["p"] + rng.normal(0, 0.05, len(t))
    gps = wanted.gps & (t >= 35)
    flight = pd.DataFrame(
        {
            "t": t,
            "phase": world["phase"],
            "latitude_deg": np.where(gps, world["lat"], np.nan),
            "longitude_deg": np.where(gps, world["lon"], np.nan),
            "altitude_m": np.where(gps, world["alt"] + rng.normal(0, 3, len(t)), -7200 * np.log(pressure / 1013.25)),
            "altitude_source": np.where(gps, "gnss", "pressure"),
            "pressure_hpa": pressure,
            "pressure_altitude_m": -7200 * np.log(pressure / 1013.25) - world["alt"] * 0.01,
            "climb_mps": world["climb"] + rng.normal(0, 0.4, len(t)),
            "flags": "",
        }
    )
    flight = _stamped(flight, boots, wanted)
    return flight[flight["utc"].notna()].drop(columns=["boot", "t_ms"])  # the decoder's has seconds UTC only


def _events(world, boots, wanted):
    rows = []
    for start, _, number in boots:
        rows.append(
            (start + 0.1, 1, f"power-up number {number}, cause 1 (1 power, 2 watchdog, 3 own reset, 0 unknown)")
        )
        rows.append((start + 0.3, 10, "chip answers at address 119"))
        rows.append((start + 2.0, 16, "receiver confirms dynamic model 6"))
    for name, code in (("ascending", 1), ("descending", 2), ("landed", 3)):
        where = np.flatnonzero(world["phase"] == name)
        if len(where):
            rows.append(
                (
                    world["t"][where[0]] + 8,
                    14,
                    f"flight phase {code} (0 ground, 1 ascending, 2 descending, 3 landed) "
                    f"at {world['alt'][where[0]]:.0f} m pressure altitude",
                )
            )
    rows += [(50.0 + k, code, text) for k, (code, text) in enumerate(wanted.extra_events)]
    table = pd.DataFrame(sorted(rows), columns=["t", "code", "text"])
    return _stamped(table, boots, wanted)


def _integrity(tables, boots):
    frames = sum(len(table) for table in tables.values())
    return {
        "frames_ok": frames,
        "frames_bad": 1,
        "frames_missing": 12,
        "frames_duplicate": 0,
        "sectors_read": frames // 15,
        "sectors_bad": 0,
        "logs": 1,
        "boots": [
            {
                "boot": number,
                "first_ms": 0,
                "last_ms": int((end - start) * 1000),
                "frames": frames // len(boots),
                "longest_gap_ms": 1040,
            }
            for start, end, number in boots
        ],
    }


def _iso(milliseconds):
    stamps = START + pd.to_timedelta(np.asarray(milliseconds), unit="ms")
    return stamps.strftime("%Y-%m-%dT%H:%M:%S.%f").str[:-3] + "Z"


def _write(table, stem, wanted):
    if wanted.csv:
        table.to_csv(stem.with_suffix(".csv"), index=False)
    else:
        table.to_parquet(stem.with_suffix(".parquet"))

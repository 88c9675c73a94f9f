"""The world of one flight as columns of numbers: what is true at each moment, before any chip has looked at it."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from types import MappingProxyType

import numpy as np

from ground.atmosphere import air_density_kg_m3
from ground.errors import InputError
from ground.simulator.air import sounding_profile, standard_profile
from ground.simulator.attitude import panel_normal
from ground.simulator.balloon import (
    FLIGHT_S_MAX,
    ascent_speed_mps,
    descent_mass_kg,
    descent_speed_mps,
    fly_vertically,
    lift_of,
)
from ground.simulator.chance import correlated, stream
from ground.simulator.doubts import doubts
from ground.simulator.drift import drift
from ground.simulator.humidity import box_humidity_pct
from ground.simulator.panel import panel_state
from ground.simulator.sounding import load_sounding
from ground.simulator.sun import sun_position, sunlight
from ground.simulator.thermal import battery_voltage_v, box_temperature_c, probe_temperature_c, ventilation
from ground.simulator.truth import PHASES as PHASES  # for readers of the column `phase`
from ground.simulator.truth import truth_columns, write_truth_file
from ground.simulator.wind import invented_wind

STEP_MS = 200
STEP_S = STEP_MS / 1000.0
_GUST_STEP_S = 2.0
_UNMEASURED_MIN_M = 100.0  # beyond a sounding: less is not worth a word
_GUST_RISE_S = 15.0  # gusts fade in after release: none at the ground


@dataclass(frozen=True)
class World:
    """Columns by name, all of one length; row k is `k * step_ms` after `start_utc`, the first power-up.

    `facts` says in plain numbers what came out (seconds count from power-up) and what was assumed on the way.
    """

    scenario: object
    start_utc: datetime
    step_ms: int
    columns: MappingProxyType
    facts: MappingProxyType

    def truth(self):
        """The truth once a second: name -> array; `utc` and `phase` are arrays of str. The design's names first."""
        return truth_columns(self)

    def write_truth(self, path):
        """Write the truth as Parquet, with a unit and a description at each column."""
        write_truth_file(self, path)


def build_world(scenario, sounding_path=None, seed=None):
    """Compute a flight's world.

    Parameters
    ----------
    scenario : Scenario
    sounding_path : str or pathlib.Path, optional
        Takes the place of the scenario's `atmosphere.sounding`.
    seed : int, optional
        Takes the place of the scenario's seed.

    Returns
    -------
    World
        The same, bit for bit, for the same scenario, sounding and seed.

    Raises
    ------
    InputError
        For a sounding that cannot be used and a flight that cannot happen.
    """
    seed = scenario.seed if seed is None else seed
    air = _air_of_the_day(scenario, sounding_path, seed)
    rise = fly_vertically(scenario, air, STEP_S, _gust(scenario, seed))
    released = round(scenario.launch.wait_s / STEP_S)
    burst, landed = released + rise.burst_row, released + len(rise.altitude_m) - 1
    stay = round(scenario.landing.stay_s / STEP_S)
    _check_faults_in_flight(scenario, (landed - released + stay) * STEP_S)
    start_utc = _to_millisecond(scenario.launch.utc) - timedelta(milliseconds=released * STEP_MS)

    columns = _motion(scenario, air, seed, rise, released, stay)
    columns |= _light_and_warmth(scenario, air, seed, columns, start_utc, (released, burst, landed))
    columns["phase"] = np.repeat(np.arange(4.0), np.diff([0, released, burst, landed, landed + stay + 1]))
    for column in columns.values():
        column.setflags(write=False)
    facts = _facts(scenario, air, columns, (released, burst, landed), seed)
    return World(scenario, start_utc, STEP_MS, MappingProxyType(columns), MappingProxyType(facts))


def _air_of_the_day(scenario, sounding_path, seed):
    path = sounding_path or scenario.atmosphere.sounding
    if path:
        return sounding_profile(load_sounding(path, scenario.atmosphere.sounding_heights))
    launch, atmosphere = scenario.launch, scenario.atmosphere
    wind = invented_wind(
        stream(seed, "wind"), launch.latitude_deg, launch.utc.month, launch.altitude_m, atmosphere.wind_factor
    )
    return standard_profile(wind, atmosphere.temperature_offset_c, atmosphere.sea_level_pressure_hpa)


def _gust(scenario, seed):
    """gust(t): vertical speed of the air t seconds after release. [m/s]"""
    atmosphere = scenario.atmosphere
    count = int(FLIGHT_S_MAX / _GUST_STEP_S) + 2
    noise = correlated(stream(seed, "vertical gusts"), count, _GUST_STEP_S, atmosphere.gust_time_s)
    values = (noise * atmosphere.vertical_gust_mps).tolist()

    def gust(t):
        x = t / _GUST_STEP_S
        i = int(x)
        return (values[i] + (x - i) * (values[i + 1] - values[i])) * min(1.0, t / _GUST_RISE_S)

    return gust


def _motion(scenario, air, seed, rise, released, stay):
    """Where the box is and how it moves. It goes with the wind: its own inertia is forgotten within seconds."""
    count = released + len(rise.altitude_m) + stay
    altitude = np.concatenate(
        [np.full(released, scenario.launch.altitude_m), rise.altitude_m, np.full(stay, rise.altitude_m[-1])]
    )
    climb = np.concatenate([np.zeros(released), rise.climb_mps, np.zeros(stay)])
    aloft = np.zeros(count)
    aloft[released : count - stay - 1] = np.minimum(1.0, np.arange(len(rise.altitude_m) - 1) * STEP_S / _GUST_RISE_S)
    east, north = air.wind_mps(altitude)
    size, memory = scenario.atmosphere.horizontal_gust_mps, scenario.atmosphere.gust_time_s
    rng = stream(seed, "horizontal gusts")
    east = (east + size * correlated(rng, count, STEP_S, memory)) * aloft
    north = (north + size * correlated(rng, count, STEP_S, memory)) * aloft
    latitude, longitude = drift(scenario.launch, altitude, east, north, STEP_S)
    return {
        "altitude_m": altitude,
        "latitude_deg": latitude,
        "longitude_deg": longitude,
        "climb_mps": climb,
        "speed_east_mps": east,
        "speed_north_mps": north,
        "geoid_separation_m": np.full(count, scenario.launch.geoid_separation_m),
        "pressure_hpa": air.pressure_pa(altitude) / 100.0,
        "air_temperature_c": air.temperature_k(altitude) - 273.15,
    }


def _light_and_warmth(scenario, air, seed, columns, start_utc, rows):
    """Sun, panel, box, thermometers and battery."""
    altitude, pressure_pa = columns["altitude_m"], columns["pressure_hpa"] * 100.0
    kelvin = columns["air_temperature_c"] + 273.15
    count = len(altitude)
    unix_s = start_utc.timestamp() + np.arange(count) * STEP_S
    position = sun_position(unix_s, columns["latitude_deg"], columns["longitude_deg"], altitude, pressure_pa, kelvin)
    light = sunlight(position, altitude, pressure_pa, air.pressure_pa, scenario.panel)

    density = air_density_kg_m3(pressure_pa, kelvin)
    air_flow = ventilation(density, columns["climb_mps"])
    normal = panel_normal(scenario, seed, STEP_S, rows, count)
    shunts = [chip.shunt_ohm for chip in scenario.sensors.power if chip.channel == "panel"]
    panel = panel_state(scenario.panel, sum(shunts), normal, position, light, kelvin, air_flow, STEP_S)

    sun = light.direct_wm2 + light.sky_wm2
    box_c = box_temperature_c(scenario.box, columns["air_temperature_c"], sun, air_flow, STEP_S)
    still = ventilation(density, 0.0)
    probes = {}
    for probe in scenario.sensors.temperature:
        around, flow = (box_c, still) if probe.place == "inside" else (columns["air_temperature_c"], air_flow)
        probes[f"probe_{probe.name}_c"] = probe_temperature_c(probe, around, sun, flow, STEP_S)
    ripple = correlated(stream(seed, "battery load"), count, STEP_S, 1.0)
    return {
        "box_c": box_c,
        "box_humidity_pct": box_humidity_pct(altitude, columns["air_temperature_c"], box_c),
        **probes,
        "panel_bus_v": panel.load_v,
        "panel_current_ma": panel.current_a * 1000.0,
        "battery_v": battery_voltage_v(scenario.battery, box_c, ripple, STEP_S),
        "sun_elevation_deg": position.elevation_deg,
        "direct_wm2": light.direct_wm2,
        "sky_wm2": light.sky_wm2,
        "irradiance_wm2": panel.irradiance_wm2,
        "incidence_deg": panel.incidence_deg,
        "panel_cell_c": panel.cell_c,
    }


def _check_faults_in_flight(scenario, end_s):
    for index, fault in enumerate(scenario.faults):
        end = (getattr(fault, "at_s", None) or 0.0) + (getattr(fault, "for_s", None) or 0.0)
        if end >= end_s:
            raise InputError(
                f"faults[{index}].at_s = {fault.at_s:g} lies, or lasts, beyond the end of the flight, "
                f"{end_s:.0f} s after release; choose an earlier moment"
            )


def _to_millisecond(moment):
    return moment.replace(microsecond=moment.microsecond // 1000 * 1000)


def _assumed_air(air, altitude_m):
    """Lines about the part of the flight that lies beyond the levels of its sounding."""
    if air.measured_m is None:
        return []
    (low, high), lowest, highest = air.measured_m, float(altitude_m.min()), float(altitude_m.max())
    lines = []
    if lowest < low - _UNMEASURED_MIN_M:
        lines.append(f"the sounding begins at {low:.0f} m, the flight at {lowest:.0f} m: air below it is assumed")
    if highest > high + _UNMEASURED_MIN_M:
        lines.append(
            f"the sounding ends at {high:.0f} m, the flight went to {highest:.0f} m: above it the air goes over into "
            "the standard atmosphere, and its last wind is held"
        )
    return lines


def _kind_of_wind(air):
    """ "invented", "measured", or "calm" for a sounding without any."""
    if air.measured_m is None:
        return "invented"
    return "measured" if np.any(air.wind_east_mps) or np.any(air.wind_north_mps) else "calm"


def _facts(scenario, air, columns, rows, seed):
    released, burst, landed = rows
    lift, balloon, parachute = lift_of(scenario.balloon, scenario.payload), scenario.balloon, scenario.parachute
    density, dense = (float(air.density_kg_m3(place.altitude_m)) for place in (scenario.launch, scenario.landing))
    diameter = lift.diameter_m(density)
    rise_mps = ascent_speed_mps(balloon.free_lift_kg, density, balloon.drag_coefficient, diameter)
    landing_mps = descent_speed_mps(descent_mass_kg(scenario), dense, parachute.drag_coefficient, parachute.diameter_m)
    measured = air.measured_m is not None
    doubtful = doubts(scenario, columns, rise_mps, diameter, landing_mps, measured)
    return {
        "seed": seed,
        "air": air.source,
        "wind": _kind_of_wind(air),
        "notes": list(air.notes) + _assumed_air(air, columns["altitude_m"]) + doubtful,
        "rise_mps": rise_mps,
        "landing_mps": landing_mps,
        "released_s": released * STEP_S,
        "burst_s": burst * STEP_S,
        "landed_s": landed * STEP_S,
        "end_s": (len(columns["altitude_m"]) - 1) * STEP_S,
        "burst_altitude_m": float(columns["altitude_m"][burst]),
        "gas_kg": lift.gas_kg,
        "gas_volume_m3": lift.volume_m3(density),
        "launch_diameter_m": diameter,
        "landing_latitude_deg": float(columns["latitude_deg"][-1]),
        "landing_longitude_deg": float(columns["longitude_deg"][-1]),
        "landing_speed_mps": float(-columns["climb_mps"][landed - 1]),
    }

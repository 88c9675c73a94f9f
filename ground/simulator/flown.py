"""A simulated flight in a few lines: how much gas, how high, how long, where, and how far all that can be trusted."""

import textwrap

from ground.durations import duration_words
from ground.report.facts import COMPASS
from ground.report.local_plane import distance_and_bearing

_WIDTH = 110
_LABEL = 9
_CAUTION = (
    "An estimate, never permission. Gas under pressure, hydrogen above all, and a falling box can hurt; a person who "
    "is licensed where a licence is needed decides."
)


def lines_of_flight(scenario, facts):
    """Lines for the terminal.

    Parameters
    ----------
    scenario : Scenario
    facts : dict
        `World.facts`.
    """
    launch, balloon = scenario.launch, scenario.balloon
    up_s, aloft_s = (facts[key] - facts["released_s"] for key in ("burst_s", "landed_s"))
    km, bearing = distance_and_bearing(
        facts["landing_latitude_deg"], facts["landing_longitude_deg"], launch.latitude_deg, launch.longitude_deg
    )
    towards = COMPASS[int((bearing + 22.5) // 45) % 8]
    neck_kg = balloon.free_lift_kg + scenario.payload.mass_kg
    wind = {
        "invented": "in an invented wind, so no prediction",
        "measured": f"in the wind of {facts['air']}; another hour or place has another, so no prediction",
        "calm": f"in calm air, for {facts['air']} has no wind, so no prediction",
    }[facts["wind"]]
    rows = {
        "Gas": f"{facts['gas_volume_m3']:.2f} m3 of pure {balloon.gas} at the launch place ({facts['gas_kg']:.2f} kg), "
        f"a ball of {facts['launch_diameter_m']:.2f} m whose neck holds {neck_kg:.2f} kg",
        "Rise": f"{facts['rise_mps']:.1f} m/s after the release",
        "Burst": f"{facts['burst_altitude_m']:,.0f} m, {duration_words(up_s * 1000)} after the release; a real balloon "
        "bursts some kilometres higher or lower",
        "Landing": f"{duration_words(aloft_s * 1000)} after the release, with {facts['landing_mps']:.1f} m/s",
        "Drift": f"{km:.1f} km towards {bearing:.0f} degrees ({towards}), {wind}",
    }
    lines = [
        line for label, text in rows.items() for line in _wrapped(text, f"  {label:<{_LABEL}}", " " * (_LABEL + 2))
    ]
    return [*lines, *_wrapped(_CAUTION, "  ", "  ")]


def _wrapped(text, first, rest):
    return textwrap.wrap(text, _WIDTH, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False)

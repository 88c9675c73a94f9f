"""What of a simulated flight should not be taken at face value, and what of it would be dangerous: lines of text.

Limits "by common practice" have no source; they are wide, so that a line here nearly always means a slip or a box that
should not fly.
"""

import math

from ground.atmosphere import G0_MPS2

LANDING_MPS_GENTLE = 7.0  # common practice: about 5 m/s
RISE_MPS_SLOW = 3.0  # common practice: 4 to 6 m/s
FILM_G_M2 = (3.0, 16.0)  # latex at burst: 5 to 6 for 0.6 to 3 kg, 12 for 0.03 kg (makers' tables, from memory)
SPEED_UP_MAX = 1.4  # measured ascents change by some tens of per cent (see balloon.py)
TROPICS_DEG = 30.0
POLAR_DEG = 60.0


def doubts(scenario, columns, rise_mps, launch_m, landing_mps, measured):
    """Lines about one flight.

    Parameters
    ----------
    scenario : Scenario
    columns : dict of numpy.ndarray
        Of the world; `battery_v` is looked at.
    rise_mps, landing_mps : float
        Steady speeds without gusts, right after the release and right before the landing. [m/s]
    launch_m : float
        Diameter of the balloon at the release. [m]
    measured : bool
        Whether the air is a sounding's.

    Returns
    -------
    list of str
    """
    return [
        *([] if measured else _of_the_air(scenario.launch.latitude_deg)),
        *_of_the_balloon(scenario, rise_mps),
        *_of_the_drag(scenario.balloon, launch_m),
        *_of_the_landing(landing_mps),
        *_of_the_battery(scenario.battery, float(columns["battery_v"].min())),
    ]


def drop_height_m(speed_mps):
    """Height of a free fall that ends with this speed: what a landing feels like. [m]"""
    return speed_mps**2 / (2.0 * G0_MPS2)


def film_g_m2(balloon):
    """Latex of a balloon on each square metre when it bursts. [g/m2]"""
    return balloon.mass_kg * 1000.0 / (math.pi * balloon.burst_diameter_m**2)


def _of_the_air(latitude_deg):
    """The standard atmosphere is that of the middle latitudes.

    The differences are NRLMSIS 2.1's (pymsis 0.11) against U.S. Standard Atmosphere, 1976: 3 to 25 degrees north,
    -71 to -79 C at 17 km where the standard has -56; 60 to 78 degrees, in January 10 to 35 C colder from the ground to
    30 km, in July up to 12 C warmer above 12 km.
    """
    if abs(latitude_deg) < TROPICS_DEG:
        real = "about 20 C colder near 17 km and 10 C warmer at the ground"
    elif abs(latitude_deg) > POLAR_DEG:
        real = "10 to 35 C colder in winter, and up to 12 C warmer from 12 km up in summer"
    else:
        return []
    return [
        f"the air is the standard atmosphere, that of the middle latitudes; at {abs(latitude_deg):.0f} degrees it is "
        f"{real}: fly through a sounding of your place (--sounding) before you trust cold and battery"
    ]


def _of_the_balloon(scenario, rise_mps):
    lines = []
    film, (thin, thick) = film_g_m2(scenario.balloon), FILM_G_M2
    if not thin <= film <= thick:
        lines.append(
            f"a balloon of {scenario.balloon.mass_kg:g} kg that bursts at {scenario.balloon.burst_diameter_m:g} m has "
            f"{film:.1f} g of latex on a square metre then, others {thin:g} to {thick:g}: the burst is hardly where "
            "this flight has it; look up balloon.burst_diameter_m for this balloon"
        )
    if rise_mps < RISE_MPS_SLOW:
        lines.append(
            f"DANGER: it rises with only {rise_mps:.1f} m/s after the release, and drifts low over trees, wires and "
            "roads for long; 4 to 6 m/s are common practice, with more balloon.free_lift_kg"
        )
    return lines


def _of_the_drag(balloon, launch_m):
    """With one coefficient the steady speed grows as the root of the diameter.

    For v^2 goes with 1 / (density diameter^2), and the diameter's cube with 1 / density.
    """
    faster = math.sqrt(balloon.burst_diameter_m / launch_m)
    if balloon.drag_law != "constant" or faster < SPEED_UP_MAX:
        return []
    return [
        f'with balloon.drag_law = "constant" it rises {faster:.1f} times as fast before the burst as after the '
        'release, which real balloons hardly do: "reynolds" is nearer to their time and drift'
    ]


def _of_the_landing(landing_mps):
    if landing_mps <= LANDING_MPS_GENTLE:
        return []
    return [
        f"DANGER: it lands with {landing_mps:.0f} m/s ({landing_mps * 3.6:.0f} km/h), as from a fall of "
        f"{drop_height_m(landing_mps):.0f} m: that can kill; about 5 m/s is common practice, with a larger "
        "parachute.diameter_m or less mass"
    ]


def _of_the_battery(battery, lowest_v):
    if lowest_v >= battery.empty_v:
        return []
    return [
        f"the battery gives way to {lowest_v:.2f} V in the cold, below its battery.empty_v = {battery.empty_v:g}: a "
        "real board may stop there, the simulated one goes on"
    ]

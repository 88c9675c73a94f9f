"""Going up and coming down: gas and lift, the balloon's rise and burst, the fall under a parachute.

The model, with what it leaves out:

* The gas is ideal, has the temperature and the pressure of the air around it (a latex skin adds a few hPa, the sun
  warms the gas by some degrees: both left out). Then the mass of displaced air never changes, nor does the lift,
  and only the volume grows. The balloon is a sphere.
* Up: M dv/dt = F g - 1/2 rho Cd A (v - w) |v - w|, F the free lift as a mass, w the air's own rising. M is all that
  flies plus the added mass of a sphere, half the displaced air (potential flow, textbook). The steady state is the
  usual v = sqrt(2 g F / (rho Cd A)).
* The drag coefficient is a constant, or, with `drag_law = "reynolds"`, follows with height the published fit
  Cd = 0.04808 (ln Re)^2 - 1.406 ln Re + 10.490 (Gallice et al. 2011, Atmos. Meas. Tech. 4, 2235, read second-hand),
  scaled so that the scenario's value holds at launch conditions. Real ascents speed up little with height; the
  constant gives a doubling to 30 km.
* Burst at the rated diameter (common practice, no source; real ones scatter by some per cent).
* Down: m dv/dt = -m g - 1/2 rho Cd A (v - w) |v - w|, m the payload and what still hangs of the latex. The canopy
  opens from a trailing bundle (a tenth of its drag; common practice, no source) with one time constant. Steady
  state v = sqrt(2 m g / (rho Cd A)).
* Gravity falls with height as the standard atmosphere has it, and does not know latitude.
"""

import math
from typing import NamedTuple

import numpy as np

from ground.atmosphere import EARTH_RADIUS_M, G0_MPS2, viscosity_pa_s
from ground.errors import InputError

MOLAR_MASS_AIR = 28.9644  # [kg/kmol] U.S. Standard Atmosphere, 1976
MOLAR_MASS = {"helium": 4.002602, "hydrogen": 2.01588}  # [kg/kmol] IUPAC atomic weights (from memory)

BUNDLE_SHARE = 0.1
FLIGHT_S_MAX = 24 * 3600.0
CEILING_M = 55000.0
_GRID_M = 10.0
_FLOOR_M = -1000.0
_RE_MIN, _RE_MAX = 2.0e4, 2.2e6  # the fit has its minimum at the upper end and no data below the lower


class Lift(NamedTuple):
    """What a filled balloon weighs and displaces. [kg]"""

    gas_kg: float
    displaced_kg: float
    free_lift_kg: float
    flying_kg: float

    def volume_m3(self, air_density_kg_m3):
        return self.displaced_kg / air_density_kg_m3

    def diameter_m(self, air_density_kg_m3):
        return (6.0 / math.pi * self.volume_m3(air_density_kg_m3)) ** (1.0 / 3.0)


def lift_of(balloon, payload):
    """`Lift` of a scenario's balloon and payload: enough gas for the free lift over everything that flies."""
    ratio = MOLAR_MASS_AIR / MOLAR_MASS[balloon.gas]
    gross = balloon.free_lift_kg + balloon.mass_kg + payload.mass_kg
    gas = gross / (ratio - 1.0)
    return Lift(gas, gas * ratio, balloon.free_lift_kg, gas + balloon.mass_kg + payload.mass_kg)


def ascent_speed_mps(free_lift_kg, density_kg_m3, drag_coefficient, diameter_m, gravity_mps2=G0_MPS2):
    """Steady ascent speed of a sphere. [m/s]"""
    area = math.pi / 4.0 * diameter_m**2
    return math.sqrt(2.0 * gravity_mps2 * free_lift_kg / (density_kg_m3 * drag_coefficient * area))


def descent_speed_mps(mass_kg, density_kg_m3, drag_coefficient, diameter_m, gravity_mps2=G0_MPS2):
    """Steady speed of fall under an open parachute. [m/s]"""
    area = math.pi / 4.0 * diameter_m**2
    return math.sqrt(2.0 * mass_kg * gravity_mps2 / (density_kg_m3 * drag_coefficient * area))


def drag_fit(reynolds):
    """Drag coefficient of a sounding balloon by the fit named above, held outside 2e4 to 2.2e6."""
    ln_re = math.log(min(max(reynolds, _RE_MIN), _RE_MAX))
    return (4.808e-2 * ln_re - 1.406) * ln_re + 10.490


class Vertical(NamedTuple):
    """Height and climb from release (row 0) to landing (last row), one row a step."""

    altitude_m: np.ndarray
    climb_mps: np.ndarray
    burst_row: int


class _AirTable:
    """Density and viscosity on a fine grid of heights, as lists: a lookup in the stepping loop costs a microsecond."""

    def __init__(self, air):
        z = np.arange(_FLOOR_M, CEILING_M + 2000.0, _GRID_M)
        self.density = air.density_kg_m3(z).tolist()
        self.viscosity = viscosity_pa_s(air.temperature_k(z)).tolist()

    def at(self, column, altitude_m):
        x = (altitude_m - _FLOOR_M) / _GRID_M
        i = int(x)
        low = column[i]
        return low + (x - i) * (column[i + 1] - low)


def ascent_acceleration(scenario, air_table):
    """f(t, z, v, w) -> dv/dt [m/s2] of the rising balloon; w is the vertical speed of the air."""
    balloon = scenario.balloon
    lift = lift_of(balloon, scenario.payload)
    inertia = lift.flying_kg + 0.5 * lift.displaced_kg
    density, viscosity, at = air_table.density, air_table.viscosity, air_table.at
    fitted = balloon.drag_law == "reynolds"
    scale = balloon.drag_coefficient / (_fit_at_launch(scenario, lift, air_table) if fitted else 1.0)

    def acceleration(_t, z, v, w):
        rho = at(density, z)
        diameter = lift.diameter_m(rho)
        slip = v - w
        drag = scale
        if fitted:
            drag *= drag_fit(rho * abs(slip) * diameter / at(viscosity, z))
        gravity = G0_MPS2 * (EARTH_RADIUS_M / (EARTH_RADIUS_M + z)) ** 2
        force = lift.free_lift_kg * gravity - 0.125 * math.pi * rho * drag * diameter * diameter * slip * abs(slip)
        return force / inertia

    return acceleration


def _fit_at_launch(scenario, lift, air_table):
    z = scenario.launch.altitude_m
    rho = air_table.at(air_table.density, z)
    diameter = lift.diameter_m(rho)
    speed = ascent_speed_mps(lift.free_lift_kg, rho, scenario.balloon.drag_coefficient, diameter)
    return drag_fit(rho * speed * diameter / air_table.at(air_table.viscosity, z))


def descent_mass_kg(scenario):
    """What hangs on the parachute: the payload and the remains of the latex."""
    return scenario.payload.mass_kg + scenario.balloon.remnant_fraction * scenario.balloon.mass_kg


def descent_acceleration(scenario, air_table, burst_s):
    """f(t, z, v, w) -> dv/dt [m/s2] of the falling box; the canopy has been opening since `burst_s`."""
    parachute = scenario.parachute
    mass = descent_mass_kg(scenario)
    drag_area = parachute.drag_coefficient * math.pi / 4.0 * parachute.diameter_m**2
    density, at = air_table.density, air_table.at

    def acceleration(t, z, v, w):
        opened = 1.0 - (1.0 - BUNDLE_SHARE) * math.exp(-(t - burst_s) / parachute.opening_s)
        slip = v - w
        gravity = G0_MPS2 * (EARTH_RADIUS_M / (EARTH_RADIUS_M + z)) ** 2
        return -gravity - 0.5 * at(density, z) * drag_area * opened * slip * abs(slip) / mass

    return acceleration


def stiffness_per_s(acceleration, t, z, v, w):
    """How fast a speed returns to its steady state: -d(dv/dt)/dv. [1/s]"""
    step = 0.01
    return abs(acceleration(t, z, v + step, w) - acceleration(t, z, v - step, w)) / (2.0 * step)


def fly_vertically(scenario, air, step_s, gust):
    """Heights from release to landing, by Runge-Kutta steps of fourth order.

    Parameters
    ----------
    scenario : Scenario
    air : AirProfile
    step_s : float
        Between rows. Stiff moments (a large canopy in dense air) are divided further. [s]
    gust : callable
        gust(t) is the vertical speed of the air t seconds after release; constant within a step. [m/s]

    Returns
    -------
    Vertical

    Raises
    ------
    InputError
        If the flight as described never ends: the balloon outlives the atmosphere modelled, or lands above its burst.
    """
    table = _AirTable(air)
    lift = lift_of(scenario.balloon, scenario.payload)
    burst_density = lift.displaced_kg / (math.pi / 6.0 * scenario.balloon.burst_diameter_m**3)
    _check_burst_is_ahead(scenario, lift, table, burst_density)
    z, v, t, floor = scenario.launch.altitude_m, 0.0, 0.0, scenario.landing.altitude_m
    altitudes, climbs = [z], [v]

    rise = ascent_acceleration(scenario, table)
    while table.at(table.density, z) > burst_density:
        z, v = _step(rise, t, z, v, gust(t), step_s)
        t = len(altitudes) * step_s
        z = max(z, scenario.launch.altitude_m)  # a sinking gust cannot push the box into the ground it stands on
        altitudes.append(z)
        climbs.append(v)
        _check_still_flying(scenario, t, z)
    burst_row = len(altitudes) - 1
    if z <= floor:
        raise InputError(
            f"landing.altitude_m = {floor:g} is above the burst at {z:.0f} m; lower it, or give the balloon less gas"
        )

    fall = descent_acceleration(scenario, table, t)
    while z > floor:
        z, v = _step(fall, t, z, v, gust(t), step_s)
        t = len(altitudes) * step_s
        altitudes.append(max(z, floor))
        climbs.append(v)
        _check_still_flying(scenario, t, z)
    climbs[-1] = 0.0
    return Vertical(np.array(altitudes), np.array(climbs), burst_row)


def _step(acceleration, t, z, v, w, step_s):
    """One row further; divided so that each part is well inside the method's region of stability."""
    parts = max(1, math.ceil(stiffness_per_s(acceleration, t, z, v, w) * step_s / 0.5))
    h = step_s / parts
    for part in range(parts):
        s = t + part * h
        a1 = acceleration(s, z, v, w)
        a2 = acceleration(s + h / 2, z + h / 2 * v, v + h / 2 * a1, w)
        a3 = acceleration(s + h / 2, z + h / 2 * v + h * h / 4 * a1, v + h / 2 * a2, w)
        a4 = acceleration(s + h, z + h * v + h * h / 2 * a2, v + h * a3, w)
        z += h * (v + h / 6 * (a1 + a2 + a3))
        v += h / 6 * (a1 + 2 * a2 + 2 * a3 + a4)
    return z, v


def _check_burst_is_ahead(scenario, lift, table, burst_density):
    rho = table.at(table.density, scenario.launch.altitude_m)
    if rho <= burst_density:
        raise InputError(
            f"balloon.burst_diameter_m = {scenario.balloon.burst_diameter_m:g} must be larger than the diameter at "
            f"launch, {lift.diameter_m(rho):.2f} m in the air of this day"
        )
    if table.at(table.density, CEILING_M - 1000.0) > burst_density:
        raise InputError(
            f"balloon.burst_diameter_m = {scenario.balloon.burst_diameter_m:g} would be reached above "
            f"{CEILING_M / 1000 - 1:g} km, where no balloon flies; give the rated diameter, or more gas"
        )


def _check_still_flying(scenario, t, z):
    if t > FLIGHT_S_MAX:
        raise InputError(
            f"the flight is still at {z:.0f} m after {FLIGHT_S_MAX / 3600:g} h: too slow to end; check "
            f"balloon.free_lift_kg = {scenario.balloon.free_lift_kg:g} and "
            f"parachute.diameter_m = {scenario.parachute.diameter_m:g}"
        )

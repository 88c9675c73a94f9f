"""How the box hangs: it spins, it swings, it tumbles after the burst, and it lies as it fell after the landing."""

import numpy as np

from ground.simulator.chance import correlated, stream, swinging

_TUMBLE = 2.5  # times the swing under the parachute, right after the burst (a guess, no source)
_TUMBLE_S = 60.0
_FALLEN_DEG = 35.0  # a landed box leans up to so much


def panel_normal(scenario, seed, step_s, rows, count):
    """Unit vector out of the panel's face (east, north, up), shape (3, count).

    Parameters
    ----------
    scenario : Scenario
        Its box (spin, swing) and panel (tilt).
    seed : int
    step_s : float
    rows : tuple of int
        Rows of release, burst and landing.
    count : int
        Rows of the whole flight.
    """
    released_row, burst_row, landed_row = rows
    box = scenario.box
    rng = stream(seed, "attitude")
    rate = correlated(rng, count, step_s, box.spin_damping_s) * (2.0 * np.pi / box.spin_period_s)
    rate[:released_row] = 0.0
    rate[landed_row:] = 0.0
    first = rng.uniform(0.0, 2.0 * np.pi)
    if box.heading_deg is not None:
        first = np.deg2rad(box.heading_deg)
    heading = first + np.cumsum(rate) * step_s
    tilt = np.deg2rad(scenario.panel.tilt_deg)
    normal = np.array([np.sin(tilt) * np.sin(heading), np.sin(tilt) * np.cos(heading), np.full(count, np.cos(tilt))])

    calm_s = 4.0 * box.swing_period_s
    east = swinging(rng, count, step_s, box.swing_period_s, calm_s)
    north = swinging(rng, count, step_s, box.swing_period_s, calm_s)
    size = np.zeros(count)
    size[released_row:burst_row] = box.swing_deg
    since_burst = np.arange(landed_row - burst_row) * step_s
    size[burst_row:landed_row] = box.descent_swing_deg * (1.0 + _TUMBLE * np.exp(-since_burst / _TUMBLE_S))
    east, north = np.deg2rad(size * east), np.deg2rad(size * north)
    lean, towards = np.deg2rad(rng.uniform(5.0, _FALLEN_DEG)), rng.uniform(0.0, 2.0 * np.pi)
    east[landed_row:], north[landed_row:] = lean * np.sin(towards), lean * np.cos(towards)
    return _leaned(normal, east, north)


def _leaned(normal, east, north):
    """`normal` turned by the rotation that leans the box's axis by (east, north) radians (Rodrigues' formula)."""
    angle = np.hypot(east, north)
    safe = np.where(angle > 0.0, angle, 1.0)
    axis = np.array([-north / safe, east / safe, np.zeros_like(angle)])  # horizontal, square to the lean
    cos, sin = np.cos(angle), np.sin(angle)
    along = np.sum(axis * normal, axis=0)
    return normal * cos + np.cross(axis, normal, axis=0) * sin + axis * along * (1.0 - cos)

"""The solar panel: light on its face, the temperature of its cells, and the volts and amps at its load.

Angle losses of the face follow the ASHRAE formula (b = 0.05, as pvlib has it). The spectrum is not followed: above
the air there is more ultraviolet, which silicon hardly uses, so real panels gain some per cent less than the
irradiance does.
"""

from typing import NamedTuple

import numpy as np

from ground.simulator.solar_cell import current_through, fit_panel
from ground.simulator.thermal import first_order

_STEFAN_BOLTZMANN = 5.670374419e-8
_EMISSIVITY = 0.9
_FILM_W_M2K = 18.0  # one face in 5 m/s of air at sea level; flat plate, common practice, no source


class PanelState(NamedTuple):
    """Light on the face [W/m2], incidence of the sun [deg], cell [C], load [V], current [A]; shape (n,) each."""

    irradiance_wm2: np.ndarray
    incidence_deg: np.ndarray
    cell_c: np.ndarray
    load_v: np.ndarray
    current_a: np.ndarray


def panel_state(panel, shunt_ohm, normal, position, light, air_k, ventilation, step_s):
    """What the panel gives through the flight.

    Parameters
    ----------
    panel : Panel
    shunt_ohm : float
        Of the current monitor, in series with the load.
    normal : numpy.ndarray, shape (3, n)
        Out of the panel's face.
    position : SunPosition
    light : Sunlight
    air_k, ventilation : numpy.ndarray, shape (n,)
        Temperature of the air [K] and its cooling power (1 in 5 m/s at sea level).
    step_s : float

    Returns
    -------
    PanelState
    """
    cosine = np.clip(np.sum(normal * position.vector, axis=0), -1.0, 1.0)
    incidence = np.rad2deg(np.arccos(cosine))
    irradiance = light.direct_wm2 * np.clip(cosine, 0.0, None) * angle_transmission(cosine)
    irradiance = irradiance + light.sky_wm2 * (1.0 + normal[2]) / 2.0 + light.ground_wm2 * (1.0 - normal[2]) / 2.0
    cell_c = cell_temperature_k(panel, irradiance, air_k, ventilation, step_s) - 273.15
    current = current_through(fit_panel(panel), irradiance, cell_c, panel.load_ohm + shunt_ohm)
    return PanelState(irradiance, incidence, cell_c, current * panel.load_ohm, current)


def angle_transmission(cosine):
    """Share of the direct light that the face lets through, ASHRAE's 1 - b (1/cos - 1) with b = 0.05."""
    return np.clip(1.0 - 0.05 * (1.0 / np.clip(cosine, 1e-6, None) - 1.0), 0.0, None)


def cell_temperature_k(panel, irradiance_wm2, air_k, ventilation, step_s):
    """Temperature of a thin plate that the light heats, the air cools on both faces, and that radiates.

    The surroundings it radiates to are taken to be as warm as the air. [K]
    """
    radiation = 4.0 * _EMISSIVITY * _STEFAN_BOLTZMANN * air_k**3
    loss = 2.0 * (_FILM_W_M2K * ventilation + radiation)
    steady = air_k + panel.sun_absorption * irradiance_wm2 / loss
    return first_order(steady, panel.heat_capacity_j_m2k / loss, step_s, steady[0])

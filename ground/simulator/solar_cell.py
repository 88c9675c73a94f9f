"""From a panel's label to its curve: the single-diode model, and where a resistor meets the curve.

Model and its change with light and temperature: De Soto et al., Solar Energy 80 (2006) 78, as pvlib has it. A label
gives four numbers at 1000 W/m2 and 25 C and the model has five parameters, so the ideality is left near 1.2 unless
the label asks for another; the band gap is the one that makes the label's temperature coefficient come out.
"""

import math
from typing import NamedTuple

import numpy as np

from ground.errors import InputError

_KELVIN_25C = 298.15
_BOLTZMANN_EV = 8.617333262e-5
_GAP_PER_K = -0.0002677  # relative, of silicon (De Soto)
_COLDEST_C = -120.0


class Diode(NamedTuple):
    """Parameters at 1000 W/m2 and 25 C."""

    light_a: float
    saturation_a: float
    series_ohm: float
    shunt_ohm: float
    ideality_v: float  # ideality x cells x thermal voltage
    gap_ev: float  # effective
    light_a_per_k: float


def fit_panel(panel):
    """`Diode` of a label: exact in short circuit and open circuit, and at the point of most power within 1 %.

    Raises
    ------
    InputError
        If no such curve goes through the label's values.
    """
    from scipy.optimize import least_squares

    isc, imp = panel.short_circuit_current_ma / 1000.0, panel.max_power_current_ma / 1000.0
    voc, vmp = panel.open_circuit_voltage_v, panel.max_power_voltage_v
    ohm = vmp / imp
    thermal_v = panel.cells_in_series * _BOLTZMANN_EV * _KELVIN_25C

    def parts(x):
        ideality_v, series, shunt = thermal_v * math.exp(x[0]), ohm * math.exp(x[1]), ohm * math.exp(x[2])
        # Short circuit and open circuit are two linear equations in the light current and the saturation current.
        rise_oc, rise_sc = math.expm1(voc / ideality_v), math.expm1(isc * series / ideality_v)
        saturation = (isc * (1.0 + series / shunt) - voc / shunt) / (rise_oc - rise_sc)
        return saturation * rise_oc + voc / shunt, saturation, series, shunt, ideality_v

    def misfit(x):
        light, saturation, series, shunt, ideality_v = parts(x)
        u = vmp + imp * series
        current = light - saturation * math.expm1(u / ideality_v) - u / shunt
        slope = saturation / ideality_v * math.exp(u / ideality_v) + 1.0 / shunt
        flat = imp - vmp * slope / (1.0 + slope * series)  # dP/dV, zero at most power
        return [(current - imp) / isc, flat / isc, 1e-4 * (x[0] - math.log(1.2)), 1e-5 * (x[2] - math.log(100.0))]

    low, high = np.log([0.7, 1e-4, 2.0]), np.log([2.5, 0.5, 1e5])
    fit = least_squares(misfit, np.log([1.2, 0.03, 100.0]), bounds=(low, high), xtol=1e-14, ftol=1e-14, gtol=1e-14)
    if max(abs(fit.fun[0]), abs(fit.fun[1])) > 0.01 or parts(fit.x)[1] <= 0.0:
        raise InputError(
            f"panel: no solar panel has short_circuit_current_ma = {isc * 1000:g}, open_circuit_voltage_v = {voc:g} "
            f"and most power at {vmp:g} V and {imp * 1000:g} mA; check the label's values"
        )
    light, saturation, series, shunt, ideality_v = parts(fit.x)
    per_k = panel.current_coefficient_pct_per_c / 100.0 * isc
    gap = _gap_ev(panel.voltage_coefficient_pct_per_c / 100.0 * voc, voc, ideality_v, per_k / isc)
    return Diode(light, saturation, series, shunt, ideality_v, gap, per_k)


def _gap_ev(volts_per_k, voc, ideality_v, light_per_k):
    """Gap for which d(Voc)/dT is the label's: derivative of Voc = a ln(I_L / I_0) with a and I_0 by De Soto."""
    t = _KELVIN_25C
    return ((voc / t - volts_per_k) / ideality_v + light_per_k - 3.0 / t) * _BOLTZMANN_EV * t / (1.0 / t - _GAP_PER_K)


def curve(diode, irradiance_wm2, cell_c):
    """(light current, saturation current, series, shunt, ideality): pvlib's order, shape (n,) each."""
    from pvlib.pvsystem import calcparams_desoto

    return calcparams_desoto(
        np.clip(irradiance_wm2, 1e-9, None),
        np.clip(cell_c, _COLDEST_C, None),
        diode.light_a_per_k,
        diode.ideality_v,
        diode.light_a,
        diode.saturation_a,
        diode.shunt_ohm,
        diode.series_ohm,
        EgRef=diode.gap_ev,
        dEgdT=_GAP_PER_K,
    )


def current_through(diode, irradiance_wm2, cell_c, resistance_ohm):
    """Current through a resistor across the panel. [A]

    With u the voltage across the diode, all but the exponential is a straight line:
    I_L = I_0 (exp(u/a) - 1) + u (1/R_sh + 1/(R_s + R)). Its right side bends one way only, so Newton's steps from
    above never overshoot, and two limits from above are known.

    Parameters
    ----------
    diode : Diode
    irradiance_wm2, cell_c : numpy.ndarray, shape (n,)
    resistance_ohm : float
        Load and shunt together.
    """
    light, saturation, series, shunt, ideality = curve(diode, irradiance_wm2, cell_c)
    slope = 1.0 / shunt + 1.0 / (series + resistance_ohm)
    u = np.minimum(light / slope, ideality * np.log1p(light / saturation))
    for _ in range(100):
        rise = saturation * np.exp(u / ideality)
        step = (rise - saturation + u * slope - light) / (rise / ideality + slope)
        u = u - step
        if np.max(np.abs(step)) < 1e-10:
            break
    return u / (series + resistance_ohm)

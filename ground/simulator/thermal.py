"""Cold and warmth: the box, the thermometers and the battery lag behind the air, and the sun adds a little.

Heat leaves a surface by moving air, which fails with density, and by radiation, which does not. `ventilation` is the
first one's strength, 1 in 5 m/s of air at sea level, growing with the square root of density times speed (Nusselt
number of a small body at low Reynolds numbers, textbook, from memory).
"""

import numpy as np

SEA_LEVEL_DENSITY = 1.225
_REFERENCE_MPS = 5.0
_SPEED_MPS_MIN = 1.0  # even still air moves past a warm body
_RADIATION_SHARE = 0.07  # of a small thermometer's heat loss in 5 m/s at sea level (an estimate)


def first_order(target, time_constant_s, step_s, start):
    """What follows `target` with a time constant that may change, shape (n,); exact while both hold for a step."""
    count = len(target)
    share = (1.0 - np.exp(-step_s / np.broadcast_to(time_constant_s, (count,)))).tolist()
    value = float(start)
    values = []
    for aim, part in zip(np.asarray(target, dtype=float).tolist(), share, strict=True):
        value += (aim - value) * part
        values.append(value)
    return np.array(values)


def ventilation(density_kg_m3, speed_mps):
    """Cooling power of the air that moves past, 1 in 5 m/s at sea level."""
    speed = np.clip(np.abs(speed_mps), _SPEED_MPS_MIN, None)
    return np.sqrt(density_kg_m3 * speed / (SEA_LEVEL_DENSITY * _REFERENCE_MPS))


def box_temperature_c(box, air_c, sun_wm2, air_flow, step_s):
    """Inside of the box. Foam and outer surface resist in series; thin air makes the second part larger. [C]

    Parameters
    ----------
    box : Box
    air_c, sun_wm2, air_flow : numpy.ndarray, shape (n,)
        Air temperature, light on a surface across the sun, ventilation.
    step_s : float
    """
    resistance = 1.0 - box.surface_share + box.surface_share / (0.8 * air_flow + 0.2)  # 0.2: radiation
    aim = air_c + (box.self_heating_c + box.sun_heating_c * sun_wm2 / 1000.0) * resistance
    return first_order(aim, box.time_constant_s * resistance, step_s, box.start_temperature_c)


def probe_temperature_c(probe, surroundings_c, sun_wm2, air_flow, step_s):
    """Element of a thermometer: slow, and a little too warm in the sun; both grow in thin air. [C]"""
    cooling = (1.0 - _RADIATION_SHARE) * air_flow + _RADIATION_SHARE
    aim = surroundings_c + probe.sun_heating_c * sun_wm2 / 1000.0 / cooling
    return first_order(aim, probe.time_constant_s / cooling, step_s, aim[0])


def battery_voltage_v(battery, box_c, ripple, step_s):
    """Voltage at the terminals: the rest voltage, less the load over a resistance that grows in the cold. [V]

    The rest voltage falls gently while most of the charge is used and steeply at the end (a shape, no chemistry).

    Parameters
    ----------
    battery : Battery
    box_c : numpy.ndarray, shape (n,)
    ripple : numpy.ndarray, shape (n,)
        Noise of mean 0 and standard deviation 1 for the load.
    step_s : float
    """
    load_a = np.clip(battery.load_ma + battery.ripple_ma * ripple, 0.0, None) / 1000.0
    used = np.clip(np.cumsum(load_a) * step_s / 3.6 / battery.capacity_mah, 0.0, 1.0)
    rest = battery.full_v - (battery.full_v - battery.empty_v) * (0.35 * used + 0.65 * used**8)
    resistance = battery.resistance_ohm * 2.0 ** ((25.0 - box_c) / battery.cold_doubling_c)
    return np.clip(rest - load_a * resistance, 0.0, None)

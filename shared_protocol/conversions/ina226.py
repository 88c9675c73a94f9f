"""INA226 voltages and current from raw registers (TI data sheet SBOS547, 7.6 "Register Maps")."""

SHUNT_V_PER_COUNT = 0.0000025
BUS_V_PER_COUNT = 0.00125  # no shift and no flags in this register, unlike an INA219's
SHUNT_RAW_MAX = 0x7FFF  # the register stands still at full scale: 81.92 mV


def bus_v(raw):
    """Voltage from the load side to ground, of the raw bus register (int or array). [V]"""
    return raw * BUS_V_PER_COUNT


def shunt_v(raw):
    """Voltage across the shunt, of the raw signed shunt register (int or array). [V]"""
    return raw * SHUNT_V_PER_COUNT


def current_ma(raw_shunt, shunt_ohm):
    """Current through the shunt, positive towards the load. [mA]

    From the shunt voltage rather than from the chip's current register, so that a wrong shunt in the settings can be
    put right after the flight.
    """
    return raw_shunt * (SHUNT_V_PER_COUNT * 1000.0 / shunt_ohm)


def calibration(current_lsb_a, shunt_ohm):
    """Calibration register for a current step: 0.00512 / (LSB x R)."""
    return int(0.00512 / (current_lsb_a * shunt_ohm) + 1e-6)

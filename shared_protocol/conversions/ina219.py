"""INA219 voltages and current from raw registers (TI data sheet SBOS448, "Register details")."""

SHUNT_V_PER_COUNT = 0.00001  # 10 uV, at every gain
BUS_V_PER_COUNT = 0.004
BUS_SHIFT = 3  # the count stands in bits 15..3
BUS_OVERFLOW = 1  # bit 0, math overflow
BUS_READY = 2  # bit 1, conversion ready


def bus_v(raw):
    """Voltage from the load side to ground, of the raw bus register (int or array). [V]"""
    return (raw >> BUS_SHIFT) * BUS_V_PER_COUNT


def shunt_v(raw):
    """Voltage across the shunt, of the raw signed shunt register (int or array). [V]"""
    return raw * SHUNT_V_PER_COUNT


def current_ma(raw_shunt, shunt_ohm):
    """Current through the shunt, positive towards the load. [mA]

    Computed on the ground from the shunt voltage rather than read from the chip's current register, so that a wrong
    shunt in the settings can be put right after the flight.
    """
    return raw_shunt * (SHUNT_V_PER_COUNT * 1000.0 / shunt_ohm)


def calibration(current_lsb_a, shunt_ohm):
    """Calibration register for a current step: trunc(0.04096 / (LSB x R)), bit 0 cannot be set."""
    return int(0.04096 / (current_lsb_a * shunt_ohm) + 1e-6) & 0xFFFE

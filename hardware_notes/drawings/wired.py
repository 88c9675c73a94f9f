"""Words of the drawings that come from the board's default settings, so that drawing and settings cannot differ."""

from ground.settings import Settings

_DEFAULT = Settings()


def gpio(key):
    """`GPIO 4 · i2c_sda`: the number of a pin and the setting that holds it."""
    return f"GPIO {getattr(_DEFAULT, key)} · {key}"


def address(key):
    """`0x77 · pressure_address`."""
    return f"0x{getattr(_DEFAULT, key):02X} · {key}"


def shunt_ohm():
    """The panel's shunt, as the settings have it. [ohm]"""
    return _DEFAULT.panel_shunt_microohm / 1e6


def full_scale_mv():
    """Battery voltage at which the board's converter reads full scale. [mV]"""
    return _DEFAULT.battery_full_scale_mv

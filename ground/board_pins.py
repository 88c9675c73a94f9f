"""Which pins of the RP2040 can do which job: what the board would refuse is said while a person is still at the desk.

A board leaves out a bus that it cannot make and flies on without its chips (firmware/board.py), so a pin that cannot do
its job looks like a broken wire. Other processors have other pins, therefore these are doubts and no errors.

Source: RP2040 data sheet, table of GPIO functions (F1 SPI, F2 UART, F3 I2C) and ADC inputs; from memory.
"""

_UART = {"gnss_tx": {0: (0, 12, 16, 28), 1: (4, 8, 20, 24)}, "gnss_rx": {0: (1, 13, 17, 29), 1: (5, 9, 21, 25)}}
_SPI = {
    "card_miso": {0: (0, 4, 16, 20), 1: (8, 12, 24, 28)},
    "card_sck": {0: (2, 6, 18, 22), 1: (10, 14, 26)},
    "card_mosi": {0: (3, 7, 19, 23), 1: (11, 15, 27)},
}
_ADC = (26, 27, 28, 29)
_GPIO_LAST = 29


def pin_doubts(settings):
    """Sentences on the pins that a board of the RP2040 class cannot use as set; none if all is well.

    Parameters
    ----------
    settings : Settings

    Returns
    -------
    list of str
    """
    doubts = []
    for key in type(settings).model_fields:
        if key.endswith(("_sda", "_scl", "_pin", "_tx", "_rx", "_sck", "_mosi", "_miso", "_cs")):
            pin = getattr(settings, key)
            if pin > _GPIO_LAST:
                doubts.append(f"{key} = {pin}: it has GPIO 0 to {_GPIO_LAST}")
    doubts += _bus_doubts(settings, "gnss_uart", _UART)
    doubts += _bus_doubts(settings, "card_spi", _SPI)
    doubts += _i2c_doubts(settings.i2c_sda, settings.i2c_scl)
    if settings.battery_pin not in _ADC:
        doubts.append(f"battery_pin = {settings.battery_pin}: only GPIO 26 to 29 are analogue inputs")
    return doubts


def _bus_doubts(settings, number_key, pins_by_key):
    number = getattr(settings, number_key)
    doubts = []
    for key, pins_by_number in pins_by_key.items():
        pin = getattr(settings, key)
        if number not in pins_by_number:
            return [f"{number_key} = {number}: it has 0 and 1"]
        if pin not in pins_by_number[number]:
            allowed = ", ".join(map(str, pins_by_number[number]))
            doubts.append(f"{key} = {pin} with {number_key} = {number}: GPIO {allowed} can be that")
    return doubts


def _i2c_doubts(sda, scl):
    """Even pins are data and odd ones clock, of bus 0 and 1 in turn by pairs."""
    doubts = []
    if sda % 2:
        doubts.append(f"i2c_sda = {sda}: data are on even pins")
    if scl % 2 == 0:
        doubts.append(f"i2c_scl = {scl}: the clock is on odd pins")
    if not doubts and sda // 2 % 2 != scl // 2 % 2:
        doubts.append(f"i2c_sda = {sda} and i2c_scl = {scl} belong to two buses; GPIO {sda + 1} goes with {sda}")
    return doubts

"""Has a chip stopped measuring? A live one's words differ, by noise or because the box moves; a frozen one's do not.

A word that comes again is no proof by itself: a thermometer in a still room says the same sixteenth of a degree for an
hour, and a panel in the dark says 0 all night. So a watch asks for as many equal readings as a live chip's noise cannot
explain, and, where the chip's own noise is smaller than its step, for evidence from elsewhere as well: the box has
moved by MOVED_M since the word first came. Who is frozen at rest stays unknown until the box moves.

MOVED_M: 700 m are 4.5 K of temperature in the troposphere; where the air is isothermal, it is a tenth of its density,
and by that the sun's warming of a thermometer, its lag and the panel's cell temperature change by more than the steps
here (1/16 degC, 1/128 degC, 4 mV). Common practice, no source; measured on the project's simulated flights.
"""

from shared_protocol.compat import const

MOVED_M = const(700)

# How many equal readings, per chip. The first two by noise alone:
# - MS5611 at OSR 4096: 0.012 mbar and 0.002 degC RMS (data sheet) are some 60 steps of D1 or D2 each, so two neighbours
#   are equal once in 200; 30 in a row (3 s) never.
# - BMP280 and BME280: 1.6 Pa at x8 without filter are 5 steps of 0.3 Pa; equal once in 17.
# The others need the height as well, and so many readings that a quick fall through 700 m is none of it:
# - thermometers: near a turning point a live one inside the box said one word 49 times in a simulated flight (a
# DS18B20;   tests/bench/equal_words.py); four times that, for a box twice as well insulated,
# - voltage and current: 50 times at rest, never more than 9 times in 100 m of height,
# - battery: 3 times.
BY_NOISE = const(30)
THERMOMETER = const(180)
POWER = const(100)
BATTERY = const(20)


class FreezeWatch:
    """Looks at the words of one chip. `journal.altitude_m` is where the box is believed to be, None while unknown."""

    def __init__(self, journal, readings: int, needs_height: bool):
        self._journal = journal
        self._readings = readings
        self._needs_height = needs_height
        self._word = -1
        self._other = 0
        self._count = 0
        self._altitude_m = None  # when this word first came
        self._source = 0

    def sees(self, word: int, other: int = 0) -> int:
        """A reading of one word, or of two that go together: how often it came, if that is too often; else 0."""
        journal = self._journal
        altitude_m = journal.altitude_m
        if word != self._word or other != self._other:
            self._word = word
            self._other = other
            self._count = 1
            self._altitude_m = altitude_m
            self._source = journal.altitude_source
            return 0
        self._count += 1
        if self._count < self._readings:
            return 0
        if self._needs_height:
            if self._altitude_m is None or self._source != journal.altitude_source:
                self._altitude_m = altitude_m
                self._source = journal.altitude_source
            if altitude_m is None or -MOVED_M < altitude_m - self._altitude_m < MOVED_M:
                return 0
        return self._count

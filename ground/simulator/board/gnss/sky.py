"""Satellites in view: enough of a sky for GSA and GSV to say something that hangs together.

Numbers are valid ones for their system, elevations and azimuths move by a degree or two a minute, signal strengths
follow elevation. Nothing of the position solution comes from here.
"""

_SYSTEMS = (("GP", 1, 32, 9), ("GL", 65, 88, 7), ("GA", 1, 36, 5))  # talker, first and last number, how many in view
_REDRAW_US = 10000000


class Satellite:
    def __init__(self, number, elevation_deg, azimuth_deg, drift_deg_per_min):
        self.number = number
        self.start = (elevation_deg, azimuth_deg, drift_deg_per_min)
        self.elevation_deg = self.azimuth_deg = self.signal_dbhz = 0


class System:
    def __init__(self, talker, satellites):
        self.talker = talker
        self.satellites = satellites


class Sky:
    """The systems a receiver tracks: GPS and GLONASS (M8 by default), and Galileo from M10 on."""

    def __init__(self, noise, system_count):
        self._noise = noise
        self._drawn_us = None
        self.systems = []
        for talker, first, last, count in _SYSTEMS[:system_count]:
            numbers = []
            while len(numbers) < count:
                number = first + noise.bits32() % (last - first + 1)
                if number not in numbers:
                    numbers.append(number)
            satellites = [Satellite(number, int(noise.uniform(8, 80)), int(noise.uniform(0, 360)),
                                    noise.uniform(-0.5, 0.5)) for number in sorted(numbers)]
            self.systems.append(System(talker, satellites))

    def look(self, now_us):
        """Bring the satellites to where they are now; True if anything has changed since the last look."""
        if self._drawn_us is not None and now_us - self._drawn_us < _REDRAW_US:
            return False
        self._drawn_us = now_us
        minutes = now_us / 60000000
        for system in self.systems:
            for satellite in system.satellites:
                elevation, azimuth, drift = satellite.start
                swing = (elevation - 5 + drift * minutes) % 160  # up to 85 degrees, then down again
                satellite.elevation_deg = int(5 + (swing if swing <= 80 else 160 - swing))
                satellite.azimuth_deg = int(azimuth + 2 * drift * minutes) % 360
                signal = 30 + satellite.elevation_deg / 5 + self._noise.gauss() * 2
                satellite.signal_dbhz = max(15, min(52, int(signal)))
        return True

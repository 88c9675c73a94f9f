"""What the receiver knows at a moment: time, position, speed, how good they are, and whether it knows them at all.

Position error: of the stated standard deviation, nine tenths of its power wandering with a time constant of 90 s (as
the sky's geometry and the ionosphere do), the rest white. Both heights carry the same error; the geoid separation is
the world's.
"""

import math

from ground.simulator.board.gnss import limits
from ground.simulator.board.gnss.behaviour import limits_allow
from ground.simulator.board.gnss.calendar import civil, time_of_week_ms

_WANDER_S = 90.0
_WANDER_SHARE = 0.95  # of the standard deviation; with 0.31 white it adds up to 1
_WHITE_SHARE = 0.31
_TIME_KNOWN_SHARE = 0.5  # of the way to the first fix, the time is known after a cold start
_FLAT_FIX_US = 3000000  # a receiver that is not airborne says 2D for so long before it says 3D
_METRES_PER_DEGREE = 111195.0
_COURSE_SPEED_MIN_MPS = 0.5  # below it a course means nothing, and NMEA leaves it out


class Fix:
    """What is known in one epoch; the formatters read it. Without a fix (`valid`) only the time is there, if that.

    `repeats`: an old position is said all the same, marked as not valid.
    """

    valid = False
    repeats = False


class Navigation:
    """The solution of one receiver over time.

    Parameters
    ----------
    source
        Where the true quantities come from.
    start_unix_us : int
        UTC of world time 0. [us since 1970]
    noise : Noise
    first_fix_us, again_fix_us : int
        Time to a fix from a cold start, and from a restart that kept its orbits. [us]
    position_noise_m, height_noise_m, speed_noise_mps : float
        Standard deviations, of each component.
    satellites : int
        Used on average.
    behaviour : Behaviour
        What it does wrong.
    """

    def __init__(self, source, start_unix_us, noise, generation, first_fix_us, again_fix_us, position_noise_m,
                 height_noise_m, speed_noise_mps, satellites, behaviour):
        self._behaviour = behaviour
        self._source = source
        self._columns = [source.column(column) for column in (
            "latitude_deg", "longitude_deg", "altitude_m", "geoid_separation_m", "speed_north_mps",
            "speed_east_mps", "climb_mps")]
        self._start_unix_us = start_unix_us
        self._noise = noise
        self._generation = generation
        self._first_fix_us = first_fix_us
        self._again_fix_us = again_fix_us
        self._noise_m = (position_noise_m, position_noise_m, height_noise_m)
        self._speed_noise_mps = speed_noise_mps
        self._satellites = satellites
        self._wander = [noise.gauss() for _ in range(3)]

    def switch_on(self, on_us, cold):
        """Begin the search for a fix."""
        self._behaviour.switch_on(on_us, cold)
        self.on_us = on_us
        search_us = int((self._first_fix_us if cold else self._again_fix_us) * self._noise.uniform(0.85, 1.25))
        self.fix_us = on_us + search_us
        self._time_us = on_us + (int(search_us * _TIME_KNOWN_SHARE) if cold else 0)
        self.had_fix = False
        self._lost_us = None

    def save(self):
        return {"on_us": self.on_us, "fix_us": self.fix_us, "time_us": self._time_us, "wander": self._wander,
                "had_fix": self.had_fix, "lost_us": self._lost_us}

    def restore(self, state):
        self.on_us, self.fix_us, self._time_us = state["on_us"], state["fix_us"], state["time_us"]
        self._wander, self.had_fix, self._lost_us = state["wander"], state["had_fix"], state["lost_us"]

    def look(self, epoch_us, model, measure_ms):
        """The Fix at an epoch.

        Parameters
        ----------
        epoch_us : int
            World time of the epoch. [us]
        model : int
            Dynamic model in force.
        measure_ms : int
            Time since the epoch before. [ms]
        """
        fix = Fix()
        self._tell_time(fix, epoch_us)
        latitude, longitude, altitude, separation, north, east, climb = [
            self._source.at(column, epoch_us) for column in self._columns]
        self._wander_on(measure_ms)
        fix.valid = self._has_fix(epoch_us, model, altitude, north, east, climb)
        if not fix.valid:
            return fix
        noise = self._noise
        error = [deviation * (_WANDER_SHARE * wander + _WHITE_SHARE * noise.gauss())
                 for deviation, wander in zip(self._noise_m, self._wander)]
        flat = not self.had_fix and epoch_us < self.fix_us + _FLAT_FIX_US and not limits.is_airborne(model)
        fix.fix_type = 2 if flat else 3
        if not flat:
            self.had_fix = True
        fix.latitude_deg = latitude + error[0] / _METRES_PER_DEGREE
        fix.longitude_deg = longitude + error[1] / (_METRES_PER_DEGREE * math.cos(latitude * math.pi / 180))
        fix.longitude_deg = (fix.longitude_deg + 540) % 360 - 180
        fix.altitude_m = altitude + error[2]
        fix.geoid_separation_m = separation
        fix.satellites = max(4, int(self._satellites + noise.gauss() * 0.8 + 0.5))
        if fix.fix_type == 2:
            fix.satellites = 3
            fix.altitude_m = 0.0  # assumed, not measured
        self._tell_speed(fix, north, east, climb)
        self._tell_quality(fix)
        self._behaviour.spoil(fix, altitude)
        return fix

    def _tell_time(self, fix, epoch_us):
        unix_us = self._start_unix_us + epoch_us
        fix.itow_ms = time_of_week_ms(unix_us // 1000)
        unix_us += self._behaviour.clock_error_us(epoch_us)
        if epoch_us < self._time_us:
            fix.date = None
            fix.clock_text = fix.date_text = ""
            return
        fix.date = year, month, day, hour, minute, second = civil(unix_us // 1000000)
        fix.clock_text = "%02d%02d%02d.%02d" % (hour, minute, second, unix_us // 10000 % 100)
        fix.date_text = "%02d%02d%02d" % (day, month, year % 100)
        fix.nano_ns = unix_us % 1000000 * 1000 + int(self._noise.gauss() * 50000)

    def _wander_on(self, measure_ms):
        keep = math.exp(-measure_ms / (1000 * _WANDER_S))
        kick = math.sqrt(1 - keep * keep)
        wander = self._wander
        for axis in range(3):
            wander[axis] = keep * wander[axis] + kick * self._noise.gauss()

    def _has_fix(self, epoch_us, model, altitude, north, east, climb):
        """Whether satellites are held and the dynamic model believes the answer."""
        speed = math.sqrt(north * north + east * east)
        if not limits_allow(self._behaviour, self._generation, model, altitude, speed, climb):
            self._lost_us = epoch_us
            return False
        if self._lost_us is not None:  # back below the limit: the satellites are held, the filter starts afresh
            if epoch_us < self._lost_us + self._again_fix_us:
                return False
            self._lost_us = None
        return epoch_us >= self.fix_us

    def _tell_speed(self, fix, north, east, climb):
        noise, deviation = self._noise, self._speed_noise_mps
        fix.north_mps = north + deviation * noise.gauss()
        fix.east_mps = east + deviation * noise.gauss()
        fix.climb_mps = climb + 1.5 * deviation * noise.gauss()
        fix.speed_mps = math.sqrt(fix.north_mps * fix.north_mps + fix.east_mps * fix.east_mps)
        fix.course_deg = math.atan2(fix.east_mps, fix.north_mps) * 180 / math.pi % 360
        fix.course_known = fix.speed_mps >= _COURSE_SPEED_MIN_MPS
        fix.speed_accuracy_mps = 3 * deviation + 0.1

    def _tell_quality(self, fix):
        """Dilutions from the number of satellites, accuracies from the noise: 1 sigma of two axes, and of one."""
        fix.hdop = 2.6 / math.sqrt(fix.satellites) if fix.fix_type == 3 else 4.5
        fix.vdop = 1.6 * fix.hdop if fix.fix_type == 3 else 99.99
        fix.pdop = math.sqrt(fix.hdop * fix.hdop + fix.vdop * fix.vdop) if fix.fix_type == 3 else 4.6
        fix.horizontal_accuracy_m = 1.414 * self._noise_m[0] + 0.2
        fix.vertical_accuracy_m = self._noise_m[2] + 0.3 if fix.fix_type == 3 else 2000.0

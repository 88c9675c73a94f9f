"""Ways in which a receiver can be wrong, by name: what it does with commands, height, position and time.

Everything left to chance comes from the flight's seed. Nothing here is known to the firmware; it has to find out.
Sources: the limits stand in limits.py; GPS sends the almanac, and with it the leap seconds and the full week number,
over 12.5 minutes (IS-GPS-200, subframes 4 and 5; from memory), so a receiver that begins from nothing may be 18 s or
1024 weeks off until then. Freezing, jumping and stopping by height alone: common practice, no source.
"""

import math

from ground.simulator.board.gnss import limits

BEHAVIOURS = {
    "normal": "does what it is told",
    "older": "the generation whose airborne limit is 50 km",
    "newer": "the generation whose airborne limit is 80 km, configured by keys",
    "nmea_only": "understands no command and stops at 18 km",
    "refuses_model": "refuses to change its dynamic model and falls silent above 12 km",
    "no_reply": "hears no command and falls silent above 12 km",
    "wrong_reply": "accepts the airborne model and keeps its own; falls silent above 12 km",
    "stops_at_18_km": "drops its fix above 18 km, whatever the model and the speed",
    "freezes": "above a height says its last position again and again, marked as not valid",
    "freezes_valid": "the same, marked as valid",
    "jumps": "says a place or a height that is kilometres off now and then, for one to three seconds",
    "no_leap_seconds": "is 18 s ahead until it has the almanac",
    "week_rollover": "is 1024 weeks in the past until it has the almanac",
    "time_step": "its clock steps, and some minutes later steps back",
    "restarts": "restarts at any time and forgets its settings; sometimes its orbits too",
}
GENERATIONS = {"older": "m8", "newer": "m10", "nmea_only": "nmea_only"}  # what a behaviour makes of `generation`

_DEAF = ("nmea_only", "no_reply")
_EXPORT_M = 18000
_ROLLOVER_US = 1024 * 7 * 86400 * 1000000
_LEAP_US = 18000000
_JUMP_SHARE = 1 / 40  # of the epochs begin one
_METRES_PER_DEGREE = 111195.0
_CFG, _NAV5, _VALSET = 0x06, 0x24, 0x8A
_KEY_MODEL = b"\x21\x00\x11\x20"


class Behaviour:
    """One receiver's way.

    Parameters
    ----------
    name : str
        One of BEHAVIOURS.
    noise : Noise
        Of this flight and boot.
    freeze_above_m : float
        Where "freezes" and "freezes_valid" begin. [m]
    almanac_s : float
        From a cold start to the almanac. [s]
    time_step_at_s, time_step_for_s, time_step_s : float
        When after the first power-up the clock steps, for how long, by how much. [s]
    restart_every_s : float
        Between restarts, on average. [s]
    """

    def __init__(self, name, noise, freeze_above_m, almanac_s, time_step_at_s, time_step_for_s, time_step_s,
                 restart_every_s):
        if name not in BEHAVIOURS:
            raise ValueError("unknown behaviour %s; known: %s" % (name, ", ".join(sorted(BEHAVIOURS))))
        self.name = name
        self.is_deaf = name in _DEAF
        self._noise = noise
        self._freeze_above_m = freeze_above_m
        self._almanac_us = int(almanac_s * 1000000)
        self._step_us = (int(time_step_at_s * 1000000), int(time_step_for_s * 1000000), int(time_step_s * 1000000))
        self._restart_every_us = int(restart_every_s * 1000000)
        self._known_us = self._almanac_us  # when the almanac is there; counted from the first power-up
        self._kept = None  # the fix that is repeated: the last one below the height, or the first one above it
        self._jump_left = 0
        self._jump = (0.0, 0.0, 0.0)

    def switch_on(self, on_us, cold):
        """A cold start forgets the almanac; any other keeps what was there."""
        if cold:
            self._known_us = on_us + self._almanac_us
        self._kept = None

    def save(self):
        return {"known_us": self._known_us, "kept": self._kept}

    def restore(self, state):
        self._known_us, self._kept = state["known_us"], state["kept"]

    def restart_moments(self, noise):
        """World times of the receiver's own restarts, each with (time without supply, cold); endless. [us]"""
        at_us = 0
        while self.name == "restarts":
            at_us += int(self._restart_every_us * noise.uniform(0.5, 1.5))
            yield at_us, int(noise.uniform(0.0, 2.0) * 1000000), noise.uniform(0.0, 3.0) < 1.0

    def refuses(self, message_class, message_id, payload):
        """Whether a command is answered with a refusal, whatever it is worth."""
        return self.name == "refuses_model" and _sets_model(message_class, message_id, payload)

    def keeps_its_model(self, message_class, message_id, payload):
        """Whether a command is acknowledged and its dynamic model not taken."""
        return self.name == "wrong_reply" and _sets_model(message_class, message_id, payload)

    def allows_fix(self, altitude_m):
        """Whether a fix may be had at this height, apart from the dynamic model."""
        return self.name != "stops_at_18_km" or altitude_m <= _EXPORT_M

    def clock_error_us(self, epoch_us):
        """What the receiver's UTC is ahead of the true one."""
        if self.name == "no_leap_seconds":
            return _LEAP_US if epoch_us < self._known_us else 0
        if self.name == "week_rollover":
            return -_ROLLOVER_US if epoch_us < self._known_us else 0
        if self.name == "time_step":
            at_us, for_us, by_us = self._step_us
            return by_us if at_us <= epoch_us < at_us + for_us else 0
        return 0

    def spoil(self, fix, altitude_m):
        """Change a fix that is right into what this receiver says instead; `altitude_m` is the true one."""
        if self.name in ("freezes", "freezes_valid"):
            self._freeze(fix, altitude_m)
        elif self.name == "jumps" and fix.fix_type == 3:
            self._maybe_jump(fix)

    def _freeze(self, fix, altitude_m):
        if altitude_m <= self._freeze_above_m or self._kept is None:
            self._kept = position_of(fix)
            return
        for name, value in self._kept.items():
            setattr(fix, name, value)
        if self.name == "freezes":
            fix.valid = False
            fix.repeats = True

    def _maybe_jump(self, fix):
        noise = self._noise
        if self._jump_left == 0:
            if noise.uniform(0.0, 1.0) >= _JUMP_SHARE:
                return
            self._jump_left = 1 + noise.bits32() % 3
            what = noise.bits32() % 3  # 0: place, 1: height, 2: both
            far_m, way = noise.uniform(3000.0, 60000.0), noise.uniform(0.0, 2 * math.pi)
            high_m = noise.uniform(1500.0, 9000.0) * (1 if noise.bits32() & 1 else -1)
            self._jump = (far_m * math.cos(way) if what != 1 else 0.0, far_m * math.sin(way) if what != 1 else 0.0,
                          high_m if what else 0.0)
        self._jump_left -= 1
        north_m, east_m, up_m = self._jump
        fix.latitude_deg = max(-89.0, min(89.0, fix.latitude_deg + north_m / _METRES_PER_DEGREE))
        fix.longitude_deg += east_m / (_METRES_PER_DEGREE * math.cos(fix.latitude_deg * math.pi / 180))
        fix.longitude_deg = (fix.longitude_deg + 540) % 360 - 180
        fix.altitude_m += up_m


def limits_allow(behaviour, generation, model, altitude_m, horizontal_mps, vertical_mps):
    """Whether this receiver, set to this model, goes on giving fixes here."""
    return behaviour.allows_fix(altitude_m) and limits.within(
        generation, model, altitude_m, horizontal_mps, vertical_mps)


_POSITION = ("fix_type", "latitude_deg", "longitude_deg", "altitude_m", "geoid_separation_m", "north_mps", "east_mps",
             "climb_mps", "speed_mps", "course_deg", "course_known")


def position_of(fix):
    """Where a fix says the receiver is and how it moves, as a dict."""
    return {name: getattr(fix, name) for name in _POSITION}


def _sets_model(message_class, message_id, payload):
    if message_class != _CFG:
        return False
    if message_id == _NAV5:
        return len(payload) == 36 and payload[0] & 1 == 1
    return message_id == _VALSET and payload.find(_KEY_MODEL, 4) >= 0

"""The virtual GNSS receiver on a serial line.

It wakes up without an idea of where it is, gets a fix after a while, says once a second what it knows, in the messages
and at the rate it was told to, and drops the fix where its dynamic model ends (limits.py). A supply dip throws its
settings away. Time runs lazily: `pump(now)` catches up with everything that has happened since the last call, in
order, whether that is an epoch or a command from the host.

Position error: of the stated standard deviation, nine tenths of its power wandering with a time constant of 90 s (as
the sky's geometry and the ionosphere do), the rest white. Both heights carry the same error; the geoid separation is
the world's.
"""

import math

from ground.simulator.board.gnss import configuration as cfg
from ground.simulator.board.gnss import limits, nmea, ubx
from ground.simulator.board.gnss.calendar import civil, time_of_week_ms
from ground.simulator.board.gnss.sky import Sky
from ground.simulator.board.noise import Noise

_WANDER_S = 90.0
_WANDER_SHARE = 0.95  # of the standard deviation; with 0.31 white it adds up to 1
_WHITE_SHARE = 0.31
_SPEECH_DELAY_US = 70000  # from the top of the second to the first byte, at least
_SPEECH_SPREAD_US = 25000  # one deviation of what comes on top
_BOOT_US = 400000  # from supply to the first words
_REPLY_US = 12000  # from the end of a command to its answer
_BACKLOG_US = 1500000  # what the transmit buffer holds; messages beyond it are dropped whole
_TIME_KNOWN_SHARE = 0.5  # of the way to the first fix, the time is known after a cold start
_FLAT_FIX_US = 3000000  # a receiver that is not airborne says 2D for so long before it says 3D
_METRES_PER_DEGREE = 111195.0
_COURSE_SPEED_MIN_MPS = 0.5  # below it a course means nothing, and NMEA leaves it out


class Fix:
    """What the receiver knows in one epoch; the formatters read it."""

    valid = False


class VirtualReceiver:
    """One receiver.

    Parameters
    ----------
    clock, source, ledger, line
        World time, the quantities, the book of objections, and the serial line it speaks on.
    start_unix_us : int
        UTC of world time 0. [us since 1970]
    generation : str
        "m8", "m10" or "nmea_only".
    first_fix_s, again_fix_s : float
        Time to a fix from a cold start, and from a restart that kept its orbits. [s]
    cold : bool
        Whether this power-up is a cold start.
    """

    def __init__(self, clock, source, ledger, line, start_unix_us, seed=0, name="gnss", generation="m8", baud=9600,
                 position_noise_m=1.5, height_noise_m=3.0, speed_noise_mps=0.05, first_fix_s=32.0, again_fix_s=4.0,
                 satellites=11, cold=True, boot=1):
        self.name = name
        self.generation = generation
        self._clock = clock
        self._source = source
        self._columns = [source.column(column) for column in (
            "latitude_deg", "longitude_deg", "altitude_m", "geoid_separation_m", "speed_north_mps",
            "speed_east_mps", "climb_mps")]
        self._ledger = ledger
        self._line = line
        self._start_unix_us = start_unix_us
        self._noise_m = (position_noise_m, position_noise_m, height_noise_m)
        self._speed_noise_mps = speed_noise_mps
        self._first_fix_us = int(first_fix_s * 1000000)
        self._again_fix_us = int(again_fix_s * 1000000)
        self._satellites = satellites
        self._noise = Noise(seed, "gnss/%s/boot%d" % (name, boot))
        self._version = 41 if generation == "m10" else 40
        self._sky = Sky(Noise(seed, "gnss/sky/" + name), 3 if generation == "m10" else 2)
        self.configuration = cfg.Configuration(generation, baud)
        self._parser = ubx.CommandParser()
        self._commands = []  # [moment the last byte is in, bytes], in order
        self._wander = [self._noise.gauss() for _ in range(3)]
        self.muted = False  # bench door: the receiver works and says nothing
        self._switch_on(clock.now_us, cold)

    # --- bench door ------------------------------------------------------------------------------------------

    def restart(self, off_us=0, cold=False):
        """A dip of the supply: settings are gone, the line falls silent, and the search for a fix begins again."""
        now_us = self._clock.now_us
        self.pump(now_us)
        self._line.cut(now_us)
        self._commands = []
        self._parser = ubx.CommandParser()
        self.configuration.reset()
        self._switch_on(now_us + off_us, cold)

    def save(self):
        return {"configuration": self.configuration.save(), "on_us": self._on_us, "fix_us": self._fix_us,
                "time_us": self._time_us, "wander": self._wander, "had_fix": self._had_fix,
                "lost_us": self._lost_us}

    def restore(self, state):
        """Go on as before: only the processor was reset, the receiver kept its supply."""
        self.configuration.restore(state["configuration"])
        self._on_us, self._fix_us, self._time_us = state["on_us"], state["fix_us"], state["time_us"]
        self._wander, self._had_fix, self._lost_us = state["wander"], state["had_fix"], state["lost_us"]
        self._line.baud = self.configuration.values["baud"]
        self._greeting_us = None
        self._set_next_epoch(self._clock.now_us)

    def specimen(self):
        return {"chip": "gnss", "name": self.name, "generation": self.generation}

    # --- bus door --------------------------------------------------------------------------------------------

    def hear(self, data, start_us, baud):
        """Bytes from the host, the first beginning at start_us. At another rate than ours they are noise."""
        if self.generation == "nmea_only":
            return
        self._commands.append((start_us + len(data) * 10000000 // baud, data, baud))

    def port_opened(self, now_us):
        self.pump(now_us)

    def pump(self, now_us):
        """Do everything that was due by now, in the order of time."""
        while True:
            epoch_us = self._speech_us
            command_us = self._commands[0][0] if self._commands else now_us + 1
            if self._greeting_us is not None and self._greeting_us <= now_us:
                self._greet()
            elif command_us <= now_us and command_us <= epoch_us:
                self._obey(self._commands.pop(0))
            elif epoch_us <= now_us:
                self._speak()
            else:
                return

    # --- life ------------------------------------------------------------------------------------------------

    def _switch_on(self, on_us, cold):
        self._on_us = on_us
        search_us = int((self._first_fix_us if cold else self._again_fix_us) * self._noise.uniform(0.85, 1.25))
        self._fix_us = on_us + search_us
        self._time_us = on_us + (int(search_us * _TIME_KNOWN_SHARE) if cold else 0)
        self._had_fix = False
        self._lost_us = None
        self._greeting_us = on_us + _BOOT_US
        self._line.baud = self.configuration.values["baud"]
        self._sky_said = b""
        self._set_next_epoch(on_us + _BOOT_US)

    def _set_next_epoch(self, after_us):
        """The next whole measuring period of UTC after a moment, and when its words begin."""
        period_us = self.configuration.values["measure_ms"] * 1000 * self.configuration.values["navigation_every"]
        unix_us = self._start_unix_us + after_us
        self._epoch_us = (unix_us // period_us + 1) * period_us - self._start_unix_us
        late_us = int(abs(self._noise.gauss()) * _SPEECH_SPREAD_US)
        self._speech_us = self._epoch_us + min(_SPEECH_DELAY_US + late_us, period_us * 9 // 10)
        self._epoch_number = unix_us // period_us + 1

    def _greet(self):
        greeting_us, self._greeting_us = self._greeting_us, None
        if self.generation == "nmea_only":
            return
        version = "PROTVER=34.10" if self.generation == "m10" else "PROTVER=18.00"
        self._say(nmea.txt("FWVER=SPG " + ("5.10" if self.generation == "m10" else "3.01")), greeting_us)
        self._say(nmea.txt(version), greeting_us)

    def _say(self, data, ready_us):
        if self.muted:
            return
        if self._line.free_us > ready_us + _BACKLOG_US:
            self._ledger.count("receiver_messages_dropped")
            return
        self._line.say(data, ready_us)

    def _obey(self, command):
        heard_us, data, baud = command
        if heard_us < self._on_us + _BOOT_US:
            return  # still starting, or without supply
        if baud != self.configuration.values["baud"] or not self.configuration.values["in_ubx"]:
            return
        ready_us = heard_us + _REPLY_US
        for message_class, message_id, payload in self._parser.feed(data):
            self._ledger.count("receiver_commands")
            if (message_class, message_id) == (cfg.CFG, 0x04) and len(payload) == 4:
                self._restart_by_command(heard_us, payload)
                return
            if (message_class, message_id) in (cfg.NAV_PVT, cfg.NAV_STATUS) and not payload:
                self._say(self._navigation((message_class, message_id), self._look()), ready_us)
                continue
            for answer in self.configuration.answer(message_class, message_id, payload):
                self._say(ubx.frame(*answer), ready_us)
            if self._line.baud != self.configuration.values["baud"]:
                self._line.baud = self.configuration.values["baud"]  # from the next message on
            if message_class == cfg.CFG and message_id in (0x08, 0x8A):
                self._set_next_epoch(self._epoch_us if heard_us < self._epoch_us else heard_us)

    def _restart_by_command(self, heard_us, payload):
        """CFG-RST: no acknowledgement; settings in RAM are gone, as nothing was saved."""
        self._commands = []
        self.configuration.reset()
        self._switch_on(heard_us, payload[:2] == b"\xff\xff")

    # --- one epoch -------------------------------------------------------------------------------------------

    def _speak(self):
        """Say all messages due in this epoch, then wait for the next one."""
        ready_us = self._speech_us
        number = self._epoch_number
        configuration = self.configuration
        fix = self._look()
        for message in (cfg.RMC, cfg.VTG, cfg.GGA, cfg.GSA, cfg.GSV, cfg.GLL, cfg.ZDA, cfg.NAV_PVT, cfg.NAV_STATUS):
            if configuration.wanted(message, number):
                data = self._text(message, fix) if message[0] == cfg.NMEA else self._navigation(message, fix)
                self._say(data, ready_us)
        self._set_next_epoch(self._epoch_us)

    def _text(self, message, fix):
        if message == cfg.RMC:
            return nmea.rmc(fix, self._version)
        if message == cfg.VTG:
            return nmea.vtg(fix)
        if message == cfg.GGA:
            return nmea.gga(fix)
        if message == cfg.GSA:
            return nmea.gsa(fix, self._sky, self._version)
        if message == cfg.GLL:
            return nmea.gll(fix)
        if message == cfg.ZDA:
            return nmea.zda(fix)
        if self._sky.look(self._epoch_us) or not self._sky_said:
            self._sky_said = nmea.gsv(self._sky, True, self._version)
        return self._sky_said

    def _navigation(self, message, fix):
        if message == cfg.NAV_PVT:
            return ubx.frame(cfg.NAV, 0x07, ubx.nav_pvt(fix))
        age_ms = max(0, self._epoch_us - self._on_us) // 1000
        first_fix_ms = max(0, self._fix_us - self._on_us) // 1000 if self._had_fix else 0
        return ubx.frame(cfg.NAV, 0x03, ubx.pack(
            "<IBBBBII", fix.itow_ms, fix.fix_type if fix.valid else 0, 0x0D if fix.valid else (0x0C if fix.date else 0),
            0, 0, first_fix_ms, age_ms))

    def _look(self):
        """Work out what is known at the epoch."""
        epoch_us = self._epoch_us
        fix = Fix()
        self._tell_time(fix, epoch_us)
        latitude, longitude, altitude, separation, north, east, climb = [
            self._source.at(column, epoch_us) for column in self._columns]
        self._wander_on()
        fix.valid = self._has_fix(epoch_us, altitude, north, east, climb)
        if not fix.valid:
            return fix
        noise = self._noise
        error = [deviation * (_WANDER_SHARE * wander + _WHITE_SHARE * noise.gauss())
                 for deviation, wander in zip(self._noise_m, self._wander)]
        flat = (not self._had_fix and epoch_us < self._fix_us + _FLAT_FIX_US
                and not limits.is_airborne(self.configuration.values["model"]))
        fix.fix_type = 2 if flat else 3
        if not flat:
            self._had_fix = True
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
        fix.position_text = nmea.angle(fix.latitude_deg, 2, "N", "S") + "," + nmea.angle(
            fix.longitude_deg, 3, "E", "W")
        return fix

    def _tell_time(self, fix, epoch_us):
        unix_us = self._start_unix_us + epoch_us
        fix.itow_ms = time_of_week_ms(unix_us // 1000)
        if epoch_us < self._time_us:
            fix.date = None
            fix.clock_text = fix.date_text = ""
            return
        fix.date = year, month, day, hour, minute, second = civil(unix_us // 1000000)
        fix.clock_text = "%02d%02d%02d.%02d" % (hour, minute, second, unix_us // 10000 % 100)
        fix.date_text = "%02d%02d%02d" % (day, month, year % 100)
        fix.nano_ns = unix_us % 1000000 * 1000 + int(self._noise.gauss() * 50000)

    def _wander_on(self):
        keep = math.exp(-self.configuration.values["measure_ms"] / (1000 * _WANDER_S))
        kick = math.sqrt(1 - keep * keep)
        wander = self._wander
        for axis in range(3):
            wander[axis] = keep * wander[axis] + kick * self._noise.gauss()

    def _has_fix(self, epoch_us, altitude, north, east, climb):
        """Whether satellites are held and the dynamic model believes the answer."""
        if not limits.within(self.generation, self.configuration.values["model"], altitude,
                             math.sqrt(north * north + east * east), climb):
            self._lost_us = epoch_us
            return False
        if self._lost_us is not None:  # back below the limit: the satellites are held, the filter starts afresh
            if epoch_us < self._lost_us + self._again_fix_us:
                return False
            self._lost_us = None
        return epoch_us >= self._fix_us

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

"""The virtual GNSS receiver on a serial line.

It wakes up without an idea of where it is, gets a fix after a while, says once a second what it knows, in the messages
and at the rate it was told to, and drops the fix where its dynamic model ends (limits.py). A supply dip throws its
settings away. Time runs lazily: `pump(now)` catches up with everything that has happened since the last call, in
order, whether that is an epoch or a command from the host.
"""

from ground.simulator.board.gnss import configuration as cfg
from ground.simulator.board.gnss import nmea, ubx
from ground.simulator.board.gnss.behaviour import Behaviour
from ground.simulator.board.gnss.navigation import Navigation
from ground.simulator.board.gnss.sky import Sky
from ground.simulator.board.noise import Noise

_SPEECH_DELAY_US = 70000  # from the top of the second to the first byte, at least
_SPEECH_SPREAD_US = 25000  # one deviation of what comes on top
_BOOT_US = 400000  # from supply to the first words
_REPLY_US = 12000  # from the end of a command to its answer
_BACKLOG_US = 1500000  # what the transmit buffer holds; messages beyond it are dropped whole


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
    behaviour : str
        What it does wrong, see behaviour.py, with the parameters named there.
    """

    def __init__(self, clock, source, ledger, line, start_unix_us, seed=0, name="gnss", generation="m8", baud=9600,
                 position_noise_m=1.5, height_noise_m=3.0, speed_noise_mps=0.05, first_fix_s=32.0, again_fix_s=4.0,
                 satellites=11, cold=True, boot=1, behaviour="normal", freeze_above_m=14000.0, almanac_s=750.0,
                 time_step_at_s=1500.0, time_step_for_s=600.0, time_step_s=7.0, restart_every_s=600.0):
        self.name = name
        self.generation = generation
        self._clock = clock
        self._ledger = ledger
        self._line = line
        self._start_unix_us = start_unix_us
        self._noise = Noise(seed, "gnss/%s/boot%d" % (name, boot))
        self._version = 41 if generation == "m10" else 40
        self._sky = Sky(Noise(seed, "gnss/sky/" + name), 3 if generation == "m10" else 2)
        self.configuration = cfg.Configuration(generation, baud)
        self.behaviour = Behaviour(
            behaviour, Noise(seed, "gnss/behaviour/%s/boot%d" % (name, boot)), freeze_above_m, almanac_s,
            time_step_at_s, time_step_for_s, time_step_s, restart_every_s)
        self._parser = ubx.CommandParser()
        self._commands = []  # [moment the last byte is in, bytes], in order
        self._navigation = Navigation(
            source, start_unix_us, self._noise, generation, int(first_fix_s * 1000000), int(again_fix_s * 1000000),
            position_noise_m, height_noise_m, speed_noise_mps, satellites, self.behaviour)
        self.muted = False  # bench door: the receiver works and says nothing
        self._switch_on(clock.now_us, cold)
        self._restarts = self.behaviour.restart_moments(Noise(seed, "gnss/restarts/" + name))
        self._set_next_restart()

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
        return {"configuration": self.configuration.save(), "navigation": self._navigation.save(),
                "behaviour": self.behaviour.save()}

    def restore(self, state):
        """Go on as before: only the processor was reset, the receiver kept its supply."""
        self.configuration.restore(state["configuration"])
        self._navigation.restore(state["navigation"])
        self.behaviour.restore(state["behaviour"])
        self._line.baud = self.configuration.values["baud"]
        self._greeting_us = None
        self._set_next_epoch(self._clock.now_us)

    def specimen(self):
        return {"chip": "gnss", "name": self.name, "generation": self.generation}

    # --- bus door --------------------------------------------------------------------------------------------

    def hear(self, data, start_us, baud):
        """Bytes from the host, the first beginning at start_us. At another rate than ours they are noise."""
        if self.behaviour.is_deaf or self.generation == "nmea_only":
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
        self._navigation.switch_on(on_us, cold)
        self._greeting_us = on_us + _BOOT_US
        self._line.baud = self.configuration.values["baud"]
        self._sky_said = b""
        self._latest = None  # the fix last spoken of: a poll gets this one
        self._set_next_epoch(on_us + _BOOT_US)

    def _set_next_restart(self):
        """The next restart of its own, at the earliest when the supply has been there for a moment."""
        for at_us, off_us, cold in self._restarts:
            if at_us > self._clock.now_us:
                self._clock.at(at_us, lambda: self._restart_by_itself(off_us, cold))
                return

    def _restart_by_itself(self, off_us, cold):
        self._ledger.count("receiver_restarts")
        self.restart(off_us, cold)
        self._set_next_restart()

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
        if heard_us < self._navigation.on_us + _BOOT_US:
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
                self._say(self._binary((message_class, message_id), self._latest or self._look()), ready_us)
                continue
            for answer in self._answer(message_class, message_id, payload):
                self._say(ubx.frame(*answer), ready_us)
            if self._line.baud != self.configuration.values["baud"]:
                self._line.baud = self.configuration.values["baud"]  # from the next message on
            if message_class == cfg.CFG and message_id in (0x08, 0x8A):
                self._set_next_epoch(self._epoch_us if heard_us < self._epoch_us else heard_us)

    def _answer(self, message_class, message_id, payload):
        """What to say to a command: as its generation does, or as its behaviour has it."""
        command = (message_class, message_id, payload)
        if self.behaviour.refuses(*command):
            return [(cfg.ACK, 0x00, bytes((message_class, message_id)))]
        values = self.configuration.values
        model = values["model"]
        answers = self.configuration.answer(*command)
        if self.behaviour.keeps_its_model(*command):
            values["model"] = model
        return answers

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
        fix = self._latest = self._look()
        for message in (cfg.RMC, cfg.VTG, cfg.GGA, cfg.GSA, cfg.GSV, cfg.GLL, cfg.ZDA, cfg.NAV_PVT, cfg.NAV_STATUS):
            if configuration.wanted(message, number):
                data = self._text(message, fix) if message[0] == cfg.NMEA else self._binary(message, fix)
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

    def _binary(self, message, fix):
        if message == cfg.NAV_PVT:
            return ubx.frame(cfg.NAV, 0x07, ubx.nav_pvt(fix))
        navigation = self._navigation
        age_ms = max(0, self._epoch_us - navigation.on_us) // 1000
        first_fix_ms = max(0, navigation.fix_us - navigation.on_us) // 1000 if navigation.had_fix else 0
        return ubx.frame(cfg.NAV, 0x03, ubx.pack(
            "<IBBBBII", fix.itow_ms, fix.fix_type if fix.valid else 0, 0x0D if fix.valid else (0x0C if fix.date else 0),
            0, 0, first_fix_ms, age_ms))

    def _look(self):
        """What is known at the epoch."""
        values = self.configuration.values
        return self._navigation.look(self._epoch_us, values["model"], values["measure_ms"])

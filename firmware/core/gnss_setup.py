"""Keeps a receiver in its airborne mode: which command to send when, and what to make of the answers. No I/O.

identify -> set the model -> read it back -> NAV-PVT on -> wait until it comes -> NMEA off -> read back every CHECK_MS

- One command at a time, each answer waited for at most REPLY_MS, and never two commands within GAP_MS.
- What counts is the model read back, not the acknowledgement.
- NMEA is only switched off once NAV-PVT really comes. Both settings live in the receiver's RAM, so that whatever takes
  NAV-PVT away (a supply dip, a restart) brings NMEA back: there is no moment without fixes, and a sentence heard after
  they were off is the surest sign of a restart. If NAV-PVT never comes, NMEA stays as it is.
- A receiver that does not answer is asked again after a pause, the longer the oftener it was asked; fixes are taken
  from its NMEA meanwhile.
"""

from firmware.core.gnss_commands import NAV5, VALSET, Commands
from shared_protocol import events
from shared_protocol.compat import const

REPLY_MS = const(1000)
GAP_MS = const(200)
CHECK_MS = const(45000)
START_MS = const(2000)  # a receiver needs about a second to start; ours may have got its power just now

IDENTIFY = const(0)
SET_MODEL = const(1)
CHECK_MODEL = const(2)
PVT_ON = const(3)
PVT_WAIT = const(4)
NMEA_OFF = const(5)
WATCH = const(6)

_PVT_WAIT_MS = const(3000)
_PVT_LOST_MS = const(3500)
_PVT_AGAIN_MS = const(300000)
_SUSPECT_MS = const(10000)
_NEVER = const(-1)
_VALSET_PROTOCOL = const(2700)
_PAUSES_MS = (5000, 10000, 20000, 60000)  # after the first, second, ... fruitless round


class GnssSetup:
    """turn() gives the next command or None; heard_*() and noticed_*() tell it what came. Events go to `note`."""

    def __init__(self, model: int, note):
        self.model = model
        self.model_read = -1  # what the receiver said last, -1: nothing
        self.confirmed = False  # it said what we want, and nothing happened since
        self.step = IDENTIFY
        self._commands = Commands(model)
        self._note = note
        self._path = NAV5
        self._path_known = False
        self._waiting = False
        self._sent_ms = 0
        self._tries = 0
        self._rounds = 0  # fruitless rounds in a row
        self._wrong = 0  # wrong models read back in a row
        self._refused = 0
        self._index = 0  # NMEA_OFF: which command
        self._quiet = False  # every one of them was acknowledged
        self._quiet_ms = 0
        self._configured = False  # was in WATCH before
        self._not_before_ms = START_MS
        self._pvt_ms = _NEVER
        self._pvt_tried_ms = 0
        self._suspect_ms = -_SUSPECT_MS

    def turn(self, now_ms: int):
        """The next command to send, or None. Call it every 100 ms or so."""
        if self._waiting:
            if now_ms - self._sent_ms < REPLY_MS:
                return None
            self._waiting = False
            self._tries += 1
            self._no_reply(now_ms)
        if self.step == WATCH:
            self._watch_pvt(now_ms)
        if now_ms < self._not_before_ms:
            return None
        if self.step == PVT_WAIT:
            self._judge_pvt(now_ms)
            return None
        return self._send(now_ms)

    def _send(self, now_ms: int):
        commands = self._commands
        step = self.step
        if step == IDENTIFY:
            command = commands.identify
        elif step == SET_MODEL:
            command = commands.set_model[self._path]
        elif step == PVT_ON:
            command = commands.pvt_on[self._path]
            self._pvt_tried_ms = now_ms
        elif step == NMEA_OFF:
            command = commands.nmea_off[self._path][self._index]
        else:
            if step == WATCH:  # the regular look
                self._go(CHECK_MODEL, now_ms)
            command = commands.ask_model[self._path]
        self._waiting = True
        self._sent_ms = now_ms
        self._not_before_ms = now_ms + GAP_MS
        return command

    def heard_version(self, protocol: int, now_ms: int) -> None:
        """MON-VER came; `protocol` is 100 times the protocol version, 0 if it does not say one (before M8)."""
        self._path = VALSET if protocol >= _VALSET_PROTOCOL else NAV5
        self._path_known = True
        if self.step == IDENTIFY:
            self._go(SET_MODEL, now_ms)

    def heard_ack(self, message_class: int, message_id: int, accepted: bool, now_ms: int) -> None:
        """ACK-ACK or ACK-NAK for one of our commands."""
        if not self._waiting or message_class != 0x06:
            return
        step = self.step
        valset = self._path == VALSET
        if step == SET_MODEL and message_id == (0x8A if valset else 0x24):
            if accepted:
                self._go(CHECK_MODEL, now_ms)
            else:
                times = self._refused + 1
                if times & (times - 1) == 0:  # the 1st, 2nd, 4th, 8th, ...: one that never obeys does not fill the log
                    self._note(events.GNSS_MODEL_REFUSED, self.model, 0)
                self._refuse(now_ms)
        elif step == CHECK_MODEL and message_id == (0x8B if valset else 0x24):
            if not accepted:  # an acknowledgement follows the answer itself, which has moved us on by then
                self._refuse(now_ms)
        elif step == PVT_ON and message_id == (0x8A if valset else 0x01):
            self._go(PVT_WAIT if accepted else WATCH, now_ms)
        elif step == NMEA_OFF and message_id == (0x8A if valset else 0x01):
            self._quiet = self._quiet and accepted
            self._next_nmea_off(now_ms)

    def heard_model(self, model: int, now_ms: int) -> None:
        """The dynamic model was read back; only believed when we asked (a wiring loop echoes our own commands)."""
        if self.step != CHECK_MODEL or not self._waiting:
            return
        self.model_read = model
        self._rounds = 0
        self._refused = 0
        if model != self.model:
            self._note(events.GNSS_MODEL_WRONG, model, self.model)
            self.confirmed = False
            self._wrong += 1
            self._go(SET_MODEL, now_ms)
            if self._wrong > 1:
                self._pause(self._wrong - 1, now_ms)
            return
        self._wrong = 0
        if not self.confirmed:
            self.confirmed = True
            self._note(events.GNSS_MODEL_SET, model, 0)
        if self._pvt_comes(now_ms):
            self._go(WATCH if self._quiet else NMEA_OFF, now_ms)
            self._index = 0
            self._quiet = True
        elif not self._configured or now_ms - self._pvt_tried_ms >= _PVT_AGAIN_MS or self._pvt_ms != _NEVER:
            self._go(PVT_ON, now_ms)
        else:
            self._go(WATCH, now_ms)

    def heard_pvt(self, now_ms: int) -> None:
        """A NAV-PVT came."""
        self._pvt_ms = now_ms

    def heard_nmea(self, now_ms: int) -> None:
        """A sentence came that should be off: the receiver is back in its default mode."""
        if self._quiet and self.step == WATCH and now_ms - self._quiet_ms > 2500:
            self.noticed_restart(now_ms)

    def noticed_restart(self, now_ms: int) -> None:
        """The receiver has restarted (its boot text, sentences that were off): configure it from the beginning."""
        if self._configured:
            self._note(events.GNSS_RESTARTED, 0, 0)
        self.confirmed = False
        self.model_read = -1
        self._configured = False
        self._quiet = False
        self._pvt_ms = _NEVER
        self._rounds = 0
        self._wrong = 0
        self._path_known = False
        self._go(IDENTIFY, now_ms)
        self._not_before_ms = now_ms + 500

    def noticed_oddity(self, now_ms: int) -> None:
        """Perhaps it has restarted (its time jumped, it fell silent and came back): read the model back now."""
        if self.step == WATCH and now_ms - self._suspect_ms >= _SUSPECT_MS:
            self._suspect_ms = now_ms
            self._not_before_ms = now_ms
        elif self.step == IDENTIFY and not self._waiting and self._not_before_ms - now_ms > 1000:
            self._not_before_ms = now_ms + 1000  # it was silent and paused for: it is back

    def _go(self, step: int, now_ms: int) -> None:
        self.step = step
        self._waiting = False
        self._tries = 0
        self._not_before_ms = now_ms + GAP_MS
        if step == WATCH:
            self._configured = True
            self._not_before_ms = now_ms + CHECK_MS

    def _no_reply(self, now_ms: int) -> None:
        """The present command was not answered in time, `_tries` times in a row."""
        step = self.step
        if step == IDENTIFY:
            if self._tries >= 3:
                self._go(SET_MODEL, now_ms)  # it may still obey: try one way, then the other
        elif step == SET_MODEL or step == CHECK_MODEL:
            if self._tries >= 2:
                if step == SET_MODEL and not self._path_known and self._path == NAV5:
                    self._path = VALSET
                    self._tries = 0
                else:
                    self._give_up(now_ms)
        elif step == PVT_ON:
            if self._tries >= 2:
                self._go(WATCH, now_ms)
        elif step == NMEA_OFF:
            self._quiet = False
            self._next_nmea_off(now_ms)

    def _refuse(self, now_ms: int) -> None:
        """It answered and said no: try the other way once, then pause."""
        self._refused += 1
        if self._refused & 1:
            self._path = NAV5 if self._path == VALSET else VALSET
            self._path_known = True
            self._go(SET_MODEL, now_ms)
        else:
            self._go(IDENTIFY, now_ms)
            self._rounds += 1
            self._pause(self._rounds, now_ms)

    def _give_up(self, now_ms: int) -> None:
        self._rounds += 1
        rounds = self._rounds
        if rounds & (rounds - 1) == 0:  # 1, 2, 4, 8, ...: a receiver that never answers does not fill the log
            self._note(events.GNSS_NO_REPLY, rounds, 0)
        self.confirmed = False
        self._path = NAV5
        self._path_known = False
        self._go(IDENTIFY, now_ms)
        self._pause(rounds, now_ms)

    def _pause(self, times: int, now_ms: int) -> None:
        self._not_before_ms = now_ms + _PAUSES_MS[min(times, len(_PAUSES_MS)) - 1]

    def _next_nmea_off(self, now_ms: int) -> None:
        index = self._index + 1
        if index < len(self._commands.nmea_off[self._path]):
            self._go(NMEA_OFF, now_ms)
            self._index = index
        else:
            self._quiet_ms = now_ms
            self._go(WATCH, now_ms)

    def _pvt_comes(self, now_ms: int) -> bool:
        return self._pvt_ms != _NEVER and now_ms - self._pvt_ms < _PVT_LOST_MS

    def _judge_pvt(self, now_ms: int) -> None:
        """NAV-PVT was switched on: does it come?"""
        if self._pvt_ms != _NEVER and self._pvt_ms > self._pvt_tried_ms:
            self._index = 0
            self._quiet = True
            self._go(NMEA_OFF, now_ms)
        elif now_ms - self._pvt_tried_ms > _PVT_WAIT_MS:
            self._quiet = False
            self._go(WATCH, now_ms)

    def _watch_pvt(self, now_ms: int) -> None:
        """NAV-PVT came and stopped coming: read back now, then switch it on again."""
        if self._pvt_ms != _NEVER and not self._pvt_comes(now_ms):
            self.noticed_oddity(now_ms)

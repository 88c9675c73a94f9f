"""What an event says in words. The board sends numbers; this table travels in each log's first sectors.

An entry is `(code, name, sentence)`. In the sentence `{a}` and `{b}` stand for the event's two details, `{a hex}` for
the first in hexadecimal digits, `{a/100}` for a hundredth of it, and `{b m|unknown}` for the second in metres, or
`unknown` if it is -1. Kept apart from the codes because the firmware needs the codes all the time and the sentences
only when it arms a log.
"""

from shared_protocol import events

SOURCES = ("system", "card", "pressure", "temperature", "power", "battery", "gnss", "settings", "sounder", "bus",
           "flash")

EVENTS = (
    (events.POWER_UP, "power_up", "power-up number {b}, cause {a} (1 power, 2 watchdog, 3 own reset, 0 unknown)"),
    (events.SETTINGS_DEFAULTED, "settings_defaulted",
     "{a} settings were missing or wrong and replaced by safe defaults"),
    (events.LOG_ARMED, "log_armed", "log {a} armed with {b} sectors"),
    (events.LOG_RESUMED, "log_resumed", "log {a} resumed at sector {b}"),
    (events.LOG_FULL, "log_full", "log {a} is full"),
    (events.LOG_FINISHED, "log_finished", "log {a} is finished: the next power-up starts a new one"),
    (events.CARD_ERROR, "card_error", "card write failed (error {a}) at sector {b}, tried again further on"),
    (events.CARD_LOST, "card_lost", "card lost after {a} failed writes"),
    (events.CARD_BACK, "card_back", "card answers again after {a} s"),
    (events.CHIP_PRESENT, "chip_present", "chip answers at address {a hex} hex"),
    (events.CHIP_MISSING, "chip_missing", "chip does not answer at address {a hex} hex"),
    (events.CHIP_LOST, "chip_lost", "chip stopped answering (status {a}) after {b} good readings"),
    (events.CHIP_BACK, "chip_back", "chip answers again after {a} s"),
    (events.PHASE, "phase",
     "flight phase {a} (0 ground, 1 ascending, 2 descending, 3 landed) at {b m|unknown} pressure altitude"),
    (events.GNSS_STATE, "gnss_state",
     "receiver state {a} (0 no answer, 1 no fix, 2 fix, 3 lost or frozen at an altitude limit); "
     "pressure altitude {b m|unknown}"),
    (events.GNSS_MODEL_SET, "gnss_model_set", "receiver confirms dynamic model {a}"),
    (events.GNSS_MODEL_REFUSED, "gnss_model_refused", "receiver refuses dynamic model {a}"),
    (events.GNSS_MODEL_WRONG, "gnss_model_wrong", "receiver reads back dynamic model {a}, wanted {b}: set again"),
    (events.GNSS_RESTARTED, "gnss_restarted", "receiver restarted in its default mode: configured again"),
    (events.GNSS_NO_REPLY, "gnss_no_reply", "receiver does not answer configuration (try {a})"),
    (events.SELF_TEST, "self_test", "self-test: {a} (1 GO, 0 NO-GO), parts in trouble {b} (bits: source numbers)"),
    (events.TASK_ERROR, "task_error", "a task failed and was skipped ({a} times in all)"),
    (events.SOUNDER_ON, "sounder_on", "sounder on"),
    (events.MEMORY_LOW, "memory_low", "{a} bytes of memory left"),
    (events.CHIP_REFUSED, "chip_refused",
     "chip at address {a hex} hex is not what it should be (status {b})"),
    (events.CHIP_IDENTIFIED, "chip_identified",
     "chip at address {a hex} hex is a number {b} (1 MS5611, 5 BMP280, 6 BME280)"),
    (events.BUS_STUCK, "bus_stuck", "bus {a} (0 I2C, 1 one-wire) is held down"),
    (events.BUS_FREE, "bus_free", "bus is free again after {a} ms and {b} tries to clear it"),
    (events.CHIP_FROZEN, "chip_frozen", "chip has said one and the same word {a} times: frozen"),
    (events.GNSS_IDENTIFIED, "gnss_identified",
     "receiver speaks protocol version {a/100} (0.00: it names none), so its airborne limit is {b} m"),
    (events.GNSS_LIMIT_DEFAULT, "gnss_limit_default",
     "receiver silent above {a} m while pressure altitude rises ({b} m): default dynamic model"),
    (events.GNSS_LIMIT_AIRBORNE, "gnss_limit_airborne",
     "receiver silent above {a} m while pressure altitude rises ({b} m): limit of its airborne dynamic model"),
    (events.GNSS_LIMIT_MODEL, "gnss_limit_model",
     "receiver silent above {a} m while pressure altitude rises: limit of dynamic model {b}, which it reads back"),
    (events.GNSS_LIMIT_FIXED, "gnss_limit_fixed",
     "receiver silent above {a} m while pressure altitude rises ({b} m): its maker's fixed limit, "
     "whatever the model and speed"),
    (events.GNSS_LIMIT_LIKELY, "gnss_limit_likely",
     "receiver has no fix near or above its limit of {a} m; pressure altitude {b m|unknown}"),
    (events.GNSS_LOST_HIGH, "gnss_lost_high",
     "receiver lost its fix at {a} m while pressure altitude rises ({b} m): no limit known there"),
    (events.GNSS_FROZEN, "gnss_frozen", "receiver repeats its position of {a} m height for {b} s: frozen"),
    (events.GNSS_JUMP, "gnss_jump", "receiver jumps by {a} m in height and {b} m in place: not believed"),
    (events.GNSS_TIME_STEP, "gnss_time_step", "receiver's time steps by {a} days and {b} ms against the board's clock"),
    (events.CHIP_RESTARTED, "chip_restarted",
     "chip restarted by itself (status {a}) after {b} good readings and is set up again"),
    (events.CHIP_MOVES, "chip_moves", "chip is no longer frozen, after {a} s"),
    (events.CHIP_DISTURBED, "chip_disturbed",
     "chip answers wrongly now and then (status {a}) after {b} good readings"),
    (events.CHIP_STEADY, "chip_steady", "chip answers steadily again, after {a} s and {b} wrong answers"),
    (events.LOG_ALONE, "log_alone",
     "no card: the log is kept in flash alone (1 gone on with from the last power-up, 0 begun anew: {a})"),
    (events.COPY_BEGUN, "copy_begun", "second copy in flash goes on at sector {a} in a ring of {b} KiB"),
    (events.COPY_SMALL, "copy_small", "flash has room for {a} KiB of the second copy, not for {b} KiB"),
    (events.COPY_ERROR, "copy_error", "second copy: flash refused a write (error {a}) at sector {b}"),
    (events.COPY_WHOLE, "copy_whole", "card away for {a} s: all readings go to flash"),
    (events.COPY_THINNED, "copy_thinned", "flash fills up: from here on it gets one reading of each kind in 5 s"),
    (events.COPY_STOPPED, "copy_stopped",
     "second copy ends here: its {a} sectors would overwrite the flight's beginning"),
    (events.CARD_SLOW, "card_slow", "card was busy for {a} ms with sector {b}"),
    (events.RECORDS_LOST, "records_lost", "{a} records found no room while the card took none"),
    (events.CARD_FULL, "card_full", "card is full or nearly: room for {a} sectors of a log, and an hour takes 3800"),
)


def say(sentence, a, b):
    """A sentence with the event's details in their places."""
    for name, value in (("a", a), ("b", b)):
        sentence = sentence.replace("{" + name + "}", str(value))
        sentence = sentence.replace("{" + name + " hex}", "%X" % value)
        sentence = sentence.replace("{" + name + "/100}", "%.2f" % (value / 100))
        sentence = sentence.replace("{" + name + " m|unknown}", "unknown" if value == -1 else str(value) + " m")
    return sentence

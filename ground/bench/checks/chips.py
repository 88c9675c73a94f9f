"""Does every chip that the settings name answer, and is it what it claims to be?

A fault that takes a whole bus is told once, as the bus's, and not once for each chip on it.
"""

from ground.bench.finding import NO_GO, OK, WARNING, Finding, skipped
from ground.bench.parts import ANSWERS, DISTURBED_SHARE, I2C, LOST, ONE_WIRE, REFUSED, SILENT

SUBJECT = "wiring"
_OFF_FIRST = (
    "Take all power away first (USB, battery, and cover the panel: in light it is a source that no switch turns off). "
)
_CRC_FAULT = 3  # of firmware/status.py, as are the numbers below
_STATUS_WORDS = {4: "it is another kind of part", 7: "it does not keep what is written to it"}
_ADDRESS_HINTS = {
    "ms5611": "An MS5611 is at 0x77, or at 0x76 where its CSB pin is tied high",
    "bmp280": "A BMP280 is at 0x76, or at 0x77 where its SDO pin is tied high",
    "bme280": "A BME280 is at 0x76, or at 0x77 where its SDO pin is tied high",
    "auto": "An MS5611 is mostly at 0x77, a BMP280 or BME280 mostly at 0x76",
    "ina219": "An INA219 is at 0x40 unless its solder bridges A0 or A1 are closed",
    "ina226": "An INA226 is at 0x40 unless its solder bridges A0 or A1 are closed",
    "tmp117": "A TMP117 is at 0x48 to 0x4B, by where its ADD0 pin goes",
}
_ADDRESS_KEYS = {"barometer": "pressure_address", "panel": "panel_address"}


def check(evidence, parts):
    """Findings of the two buses and of each chip on them."""
    findings, strangers = [], _strangers(evidence, parts)
    for bus, describe in ((I2C, _i2c_silent), (ONE_WIRE, _one_wire_silent)):
        mine = [part for part in parts.values() if part.bus == bus]
        is_dead = len(mine) >= 2 and all(part.state in (SILENT, LOST) for part in mine)
        if is_dead and not (bus == I2C and strangers):
            findings.append(describe(evidence, mine))
            findings += [_covered(part, bus) for part in mine]
        else:
            findings += [_one(evidence, part, mine, strangers) for part in mine]
    return findings


def _strangers(evidence, parts):
    """Addresses of the I2C bus at which something answers that the settings do not name, in words; empty if none."""
    reply = evidence.replies.get("bus_scan", {})
    words = [reply.get(name) for name in ("at_00", "at_20", "at_40", "at_60")]
    if reply.get("status") != "done" or not all(isinstance(word, int) for word in words):
        return ""
    there = {32 * n + bit for n, word in enumerate(words) for bit in range(32) if word >> bit & 1}
    named = {int(part.address, 16) for part in parts.values() if part.bus == I2C}
    return " and ".join(f"0x{address:02X}" for address in sorted(there - named))


def _name(part):
    return f"{part.title} answers"


def _covered(part, bus):
    return skipped(SUBJECT, _name(part), f"nothing on the {bus} bus answers; that comes first")


def _i2c_silent(evidence, mine):
    s = evidence.settings
    stuck = evidence.last_event("bus_stuck", "bus_free", source="bus")
    held = stuck is not None and stuck["name"] == "bus_stuck" and stuck["a"] == 0
    lost = all(part.state == LOST for part in mine)
    why = (
        "All chips on these two wires are silent at once, and they have only the two wires and their supply in common."
    )
    if held:
        why += " The board finds a line of the bus held down."
    first = "A plug or a wire came loose in this run." if lost else "Most often SDA and SCL are swapped."
    return Finding(
        SUBJECT, "I2C bus", NO_GO,
        f"none of {len(mine)} chips answers ({', '.join(part.title for part in mine)})",
        "every chip answers at its address", why,
        f"{first} {_OFF_FIRST}Then follow each wire: SDA of every sensor to GPIO {s.i2c_sda}, SCL to GPIO {s.i2c_scl}, "
        "3.3 V and ground to each. Power on and measure 3.3 V between supply and ground at a sensor.",
    )  # fmt: skip


def _one_wire_silent(evidence, mine):
    return Finding(
        SUBJECT, "one-wire bus", NO_GO, f"none of {len(mine)} thermometers answers", "both thermometers answer",
        "Both are silent at once, and they share the data line, its pull-up resistor, supply and ground.",
        f"{_OFF_FIRST}Check the data wire to GPIO {evidence.settings.onewire_pin} and the 4.7 kilohm resistor from it "
        "to 3.3 V. A thermometer that gets hot has supply and ground swapped: take it off at once.",
    )  # fmt: skip


def _one(evidence, part, neighbours, strangers):
    expected = f"{part.chip.upper()} at {part.address}" if part.bus == I2C else f"{part.chip.upper()}, {part.address}"
    if part.state == ANSWERS:
        return _speaking(part, expected, _code(evidence, part))
    others = [other.title for other in neighbours if other is not part and other.state == ANSWERS]
    beside = f" The {others[0]} on the same wires answers, so the bus is in order." if others else ""
    if part.state == REFUSED and part.last and part.last["b"] == _CRC_FAULT:
        return Finding(
            SUBJECT, _name(part), NO_GO, "what it says of itself is garbled: its check sum is wrong", expected,
            f"It answers, and its words were hurt on the way, or its memory is.{beside}",
            f"{_OFF_FIRST}Press its plugs home, shorten its wires, try i2c_hz = 100000 on I2C. If it stays, replace "
            "the part.",
        )  # fmt: skip
    if part.state == REFUSED and part.bus == ONE_WIRE:
        return Finding(
            SUBJECT, _name(part), NO_GO, "a thermometer with another code answers", expected,
            f"Not the one that the settings name: it would be logged under no name at all.{beside}",
            _refused_advice(part),
        )  # fmt: skip
    if part.state == REFUSED:
        said = _STATUS_WORDS.get(part.last["b"], f"status {part.last['b']}") if part.last else "it is another part"
        return Finding(
            SUBJECT, _name(part), NO_GO, f"a part answers, and {said}", expected,
            f"What sits there is no {part.chip.upper()} in working order; its numbers would mean nothing.",
            _refused_advice(part),
        )  # fmt: skip
    if part.state == LOST:
        return Finding(
            SUBJECT, _name(part), NO_GO, f"stopped {part.silent_s:.0f} s ago, after {part.good} good readings",
            expected,
            "It answered in this run and then fell silent: a loose plug, a cracked wire or a joint that "
            f"moves.{beside}",
            f"Wiggle its plug and wire and watch the live view. {_OFF_FIRST}Then press the plug home or solder the "
            "wire again, and add a strain relief: a landing pulls harder than a hand.",
        )  # fmt: skip
    if part.bus == ONE_WIRE and not getattr(evidence.settings, f"probe_{part.key}_rom"):
        return Finding(
            SUBJECT, _name(part), NO_GO, "not there", expected,
            f"Only one thermometer is on the wire, and without codes in the settings it counts as outside.{beside}",
            f"{_OFF_FIRST}Check the three wires of the other one. While you look up one code at a time, this is right.",
        )  # fmt: skip
    if part.bus == ONE_WIRE:
        return Finding(
            SUBJECT, _name(part), NO_GO, "silent", expected,
            f"No thermometer of this code answers.{beside}",
            f"{_OFF_FIRST}Check its three wires. If it is a new thermometer, its code is another one: empty "
            f"probe_{part.key}_rom in the settings, or write the new code there.",
        )  # fmt: skip
    return _silent_on_i2c(part, expected, beside, strangers)


def _silent_on_i2c(part, expected, beside, strangers):
    key = _ADDRESS_KEYS.get(part.key, f"probe_{part.key}_address")
    hint = _ADDRESS_HINTS.get(part.chip, "")
    auto = ' or set pressure_chip = "auto", which looks at both addresses' if part.key == "barometer" else ""
    if strangers:
        return Finding(
            SUBJECT, _name(part), NO_GO,
            f"nothing answers at {part.address}; something does at {strangers}, of which the settings know nothing",
            expected, f"A part is on the bus at another address.{beside} Most likely it is this one.",
            f"{hint}: if it is the part at {strangers}, write that address as {key} into the settings{auto}. If not: "
            f"{_OFF_FIRST[0].lower()}{_OFF_FIRST[1:]}Then check this part's four wires.",
        )  # fmt: skip
    return Finding(
        SUBJECT, _name(part), NO_GO, f"nothing answers at {part.address}", expected,
        f"Nobody answers at the address of the settings.{beside} So it is the address, or this part's own wires.",
        f"{hint}: compare with {key} in the settings{auto}. If the address is right: {_OFF_FIRST[0].lower()}"
        f"{_OFF_FIRST[1:]}Then check this part's four wires.",
    )  # fmt: skip


def _refused_advice(part):
    if part.bus == ONE_WIRE:
        return (
            "Another thermometer sits in its place, with another code. Write the code of this one into "
            f"probe_{part.key}_rom of the settings, or connect the right one."
        )
    return (
        f"Read the letters on the chip: if it is another kind, say so in the settings; if it is a {part.chip.upper()}, "
        "the wires are too long or too fast (lower i2c_hz to 100000), or the chip is broken."
    )


def _code(evidence, part):
    """`, code 28...` of a thermometer on one wire as the board found it, for whoever has to write it down."""
    codes = zip(evidence.words("probe", "probe"), evidence.words("probe", "rom"), strict=True)
    mine = [code for place, code in codes if place == part.key and code]
    return f", code {mine[-1]}" if part.bus == ONE_WIRE and mine else ""


def _speaking(part, expected, code):
    if part.frozen:
        return Finding(
            SUBJECT, _name(part), NO_GO, "says one and the same word over and over", expected,
            "A live sensor's last digits always move a little. This one answers and no longer measures.",
            "Take power away for ten seconds and try again. If it stands still again, replace it.",
        )  # fmt: skip
    if part.disturbed > DISTURBED_SHARE:
        return Finding(
            SUBJECT, _name(part), NO_GO, f"{100 * part.disturbed:.0f} % of its readings were hurt on the way", expected,
            "Now and then an answer does not come or comes garbled: a loose contact, wires too long, or a bus too "
            "fast.",
            f"{_OFF_FIRST}Press its plugs home, shorten its wires and keep them away from the sounder and the "
            "receiver; on I2C try i2c_hz = 100000.",
        )  # fmt: skip
    if part.restarts:
        return Finding(
            SUBJECT, _name(part), WARNING, f"restarted by itself {part.restarts} times", expected,
            "Its supply dipped: a contact that opens for a moment, or a supply that is too weak.",
            f"{_OFF_FIRST}Check the plugs of its supply and ground.",
        )  # fmt: skip
    return Finding(
        SUBJECT, _name(part), OK, f"yes, {part.good} good readings{code}", expected, "It answers and is what it claims."
    )

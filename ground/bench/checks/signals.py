"""LED and sounder: only a person can say whether they work."""

from ground.bench.finding import NO_GO, OK, Finding, skipped

SUBJECT = "signals"


def check(evidence, parts):
    """What the person heard and saw."""
    answers, settings = evidence.answers, evidence.settings
    return [
        _one("sounder", answers.sounder_heard, "--sounder heard or --sounder silent", settings.sounder_pin,
             "In a hedge at dusk the sounder is what finds the box.",
             "Its plus is at the battery, behind the switch: on USB alone it is silent. Its minus goes to the "
             "transistor's collector, the emitter to ground, the base through 1 kilohm to that pin, and nothing else: "
             "a pin cannot carry a sounder. Is it an active one (beeps by itself at 3 V)?"),
        _one("LED", answers.led_seen, "--led seen or --led dark", settings.led_pin,
             "The LED is how the box says GO or NO-GO where there is no laptop.",
             "An LED of your own needs 1 kilohm in series and its long leg towards the pin."),
    ]  # fmt: skip


def _one(name, noticed, option, pin, why, do):
    if noticed is None:
        return skipped(
            SUBJECT,
            name,
            "nobody said whether it works",
            f"Watch and listen while the board starts; then say {option}.",
        )
    if noticed:
        return Finding(SUBJECT, name, OK, "noticed by the person at the bench", "noticed", "It works.")
    return Finding(SUBJECT, name, NO_GO, "not noticed by the person at the bench", "noticed", why,
                   f"Check its wire to GPIO {pin}. {do}")  # fmt: skip

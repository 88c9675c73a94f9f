"""Questions to the person at the bench, one at a time; Enter skips each."""

from ground.bench.answers import parse_reading
from ground.console import say
from ground.errors import InputError

_SIGNAL = {"for_ms": 2000, "half_ms": 200}


def ask_readings(session, ask=input):
    """What other instruments say. `ask(text)` gives a line."""
    answers = session.evidence.answers
    say("A few questions. Press Enter to skip any of them; what is skipped is not checked.")
    if answers.station_pressure_hpa is None and answers.qnh_hpa is None:
        _ask_pressure(session, ask)
    for field, text in (
        ("panel_volts", "Panel in steady light: multimeter across the load resistor [V]: "),
        ("panel_ma", "Multimeter (mA range) in series between panel and shunt, never across it [mA]: "),
        ("battery_volts", "Multimeter at the battery while the board runs; let the tips touch nothing else [V]: "),
        ("battery_rest_volts", "The same with the board switched off, if you measured it before [V]: "),
    ):
        if getattr(answers, field) is None:
            _reading(session, field, text, ask)


def _ask_pressure(session, ask):
    text = "Air pressure at your place, not reduced to sea level [hPa]: "
    if _reading(session, "station_pressure_hpa", text, ask):
        return
    if not _reading(session, "qnh_hpa", "QNH of the nearest airfield [hPa]: ", ask):
        return
    if not _reading(session, "elevation_m", "Height of your table above sea level [m]: ", ask):
        session.answer(qnh_hpa=None)
        say("  Without the height a QNH is of no use: it was left out.")


def ask_signals(session, ask=input):
    """Let the board sound and shine, and ask whether it was noticed."""
    for order, field, text in (
        ("sounder", "sounder_heard", "The board sounds for two seconds. Did you hear it? [y/n] "),
        ("led", "led_seen", "The board's LED blinks for two seconds. Did you see it? [y/n] "),
    ):
        if getattr(session.evidence.answers, field) is not None:
            continue
        reply = session.order(order, **_SIGNAL)
        if reply is None or reply["status"] != "done":
            continue
        said = _yes_or_no(text, ask)
        if said is not None:
            session.answer(**{field: said})


def ask_thermometers(session, ask=input):
    """Do the thermometers lie together? Have one of them warmed by hand, to know which is which."""
    if not session.evidence.answers.side_by_side:
        text = "Do both thermometers lie side by side, away from the warm board, for some minutes already? [y/n] "
        session.answer(side_by_side=bool(_yes_or_no(text, ask)))
    if session.evidence.answers.warmed is None and not session.evidence.answers.ice_bath:
        text = "Will you hold the metal of the OUTSIDE thermometer between two fingers for half a minute now? [y/n] "
        if _yes_or_no(text, ask):
            session.answer(warmed="outside")
            say("  Hold it from five seconds after the view begins, and let go after half a minute.")


def _reading(session, field, text, ask):
    while True:
        typed = ask(text).strip()
        if not typed:
            return False
        try:
            session.answer(**{field: parse_reading(field, typed, is_option=False)})
        except InputError as error:
            say(f"  {error}")
            continue
        return True


def _yes_or_no(text, ask):
    while True:
        typed = ask(text).strip().lower()
        if not typed:
            return None
        if typed[0] in "yn":
            return typed[0] == "y"
        say("  y for yes, n for no, or Enter.")

"""What a person types in: readings with uncertainties, the plan, questions one after the other."""

from types import SimpleNamespace

import pytest

from ground.bench.answers import Answers, Reading, parse_reading
from ground.bench.evidence import Evidence
from ground.bench.plan import Plan, default_text, load_plan
from ground.bench.preparation import answers_from, prepare
from ground.bench.questions import ask_readings, ask_signals, ask_thermometers
from ground.bench.session import Session
from ground.errors import InputError


@pytest.mark.parametrize("text", ["1003.2+-0.5", "1003,2 ± 0,5", " 1003.2 +/- 0.5 "])
def test_reading_may_carry_its_uncertainty(text):
    assert parse_reading("station_pressure_hpa", text) == Reading(1003.2, 0.5)


@pytest.mark.parametrize(
    ("key", "text"), [("panel_volts", "5.02V"), ("panel_ma", "5.02 mA"), ("thermometer_c", "5.02 °C")]
)
def test_reading_may_carry_its_unit(key, text):
    assert parse_reading(key, text).value == 5.02


def test_multimeter_without_its_sheet_is_good_to_a_per_cent():
    assert parse_reading("panel_volts", "5.0").uncertainty == pytest.approx(0.06)


@pytest.mark.parametrize(
    ("key", "text", "said"),
    [
        ("station_pressure_hpa", "100320", "--station-pressure 100320 hPa: must be 450 to 1090 hPa; is it in hPa"),
        ("panel_volts", "5 mV", "--panel-volts '5 mV': is not a number in V; write 12.3"),
        ("panel_volts", "V", "--panel-volts 'V': is not a number in V"),
        ("elevation_m", "", "is not a number in m"),
        ("battery_volts", "4.1+-3", "an uncertainty of 3 V says nothing"),
        ("panel_ma", "nan", "is not a number in mA"),
        ("qnh_hpa", "1013+-", "is not a number in hPa"),
    ],
)
def test_slip_of_the_fingers_is_told_with_what_is_allowed(key, text, said):
    with pytest.raises(InputError) as error:
        parse_reading(key, text)
    assert said in str(error.value) and "\n" not in str(error.value)


def test_qnh_needs_an_elevation_and_the_other_way_round():
    with pytest.raises(InputError, match="give --elevation with it"):
        answers_from({"qnh_hpa": "1013"})
    with pytest.raises(InputError, match="give --qnh with it"):
        answers_from({"elevation_m": "100"})


def test_probe_that_is_none_is_refused():
    for option in ("ice_bath", "warmed"):
        with pytest.raises(InputError, match="must be outside or inside"):
            answers_from({}, **{option: "garden"})
    assert answers_from({}, ice_bath="outside, inside").ice_bath == ("outside", "inside")


def test_plan_to_start_from_is_the_plan_with_every_default(tmp_path):
    path = tmp_path / "box.toml"
    path.write_text(default_text(), encoding="utf-8")
    plan = load_plan(path)
    assert plan.panel == type(plan.panel)() and plan.battery == type(plan.battery)() and plan.limits == Plan().limits
    for part in (plan.panel, plan.battery, plan.limits):
        assert all(f"\n{key} = " in default_text() for key in part.model_dump())


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[panel]\nload_ohm = -3.0", "load_ohm"),
        ("[panel]\nload = 22.0", "load"),
        ("[battery]\nfull_v = 3.0\nempty_v = 3.6", "must be larger than battery.empty_v"),
        ("[panel", "is not valid TOML"),
        ("[limits]\nsatellites_min = 2", "satellites_min"),
    ],
)
def test_wrong_plan_is_one_line_with_file_and_key(tmp_path, text, said):
    path = tmp_path / "box.toml"
    path.write_text(text)
    with pytest.raises(InputError) as error:
        load_plan(path)
    assert str(path) in str(error.value) and said in str(error.value) and "\n" not in str(error.value)


def test_plan_that_is_not_there_says_how_to_get_one(tmp_path):
    with pytest.raises(InputError, match="--new-plan"):
        load_plan(tmp_path / "none.toml")


def test_simulated_board_brings_its_own_settings_and_plan():
    ready = prepare("sim", None, None, Answers())
    assert ready.plan.panel.load_ohm == 10.0 and ready.plan.battery is not None
    assert ready.settings.probe_outside_rom.startswith("28")
    real = prepare("/dev/ttyACM0", None, None, Answers())
    assert real.plan.panel is None and real.settings.probe_outside_rom == ""


def _session(answers=None, status="done"):
    asked = []

    def command(name, **arguments):
        asked.append(name)
        return {"status": status, "t_ms": 1}

    board = SimpleNamespace(simulated=True, command=command, asked=asked)
    return Session(board, Evidence({}, answers=answers or Answers()), 60.0)


def _types(*lines):
    left = list(lines)
    return lambda _text: left.pop(0)


def test_every_question_may_be_skipped():
    session = _session()
    ask_readings(session, _types("", "", "", "", "", ""))
    ask_signals(session, _types("", ""))
    ask_thermometers(session, _types("", ""))
    assert session.evidence.answers == Answers()


def test_answers_go_where_they_belong_and_slips_are_asked_again(capsys):
    session = _session()
    ask_readings(session, _types("", "1013", "300", "five", "2.3", "104", "5.0", "5.1"))
    answers = session.evidence.answers
    assert answers.qnh_hpa.value == 1013.0 and answers.elevation_m.value == 300.0
    assert (answers.panel_volts.value, answers.panel_ma.value, answers.battery_volts.value) == (2.3, 104.0, 5.0)
    assert answers.battery_rest_volts.value == 5.1
    said = capsys.readouterr().out
    assert "'five': is not a number in V" in said and "--" not in said


def test_qnh_without_its_elevation_is_left_out():
    session = _session()
    ask_readings(session, _types("", "1013", "", "", "", "", ""))
    assert session.evidence.answers.qnh_hpa is None


def test_sounder_and_led_are_tried_and_asked_about():
    session = _session()
    ask_signals(session, _types("perhaps", "y", "n"))
    answers = session.evidence.answers
    assert answers.sounder_heard is True and answers.led_seen is False
    assert session.board.asked == ["sounder", "led"]


def test_what_was_said_on_the_command_line_is_not_asked_again():
    session = _session(
        Answers(Reading(990.0, 1.0), sounder_heard=True, led_seen=True, warmed="inside", side_by_side=True)
    )
    ask_readings(session, _types("", "", "", ""))
    ask_signals(session, _types())
    ask_thermometers(session, _types())
    assert session.board.asked == []


def test_part_that_is_not_there_is_not_asked_about():
    session = _session(status="missing")
    ask_signals(session, _types())
    assert session.evidence.answers == Answers()

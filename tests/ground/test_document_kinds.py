"""A file of the wrong kind is called what it seems to be, and a slip in one of the right kind is still a slip."""

import tomllib

import pytest

from ground.bench.plan import default_text as plan_text
from ground.bench.plan import load_plan
from ground.document_kinds import kinds, known_keys
from ground.errors import InputError
from ground.settings import default_text as settings_text
from ground.settings import load_settings
from ground.simulator.scenario import SCENARIO_DIR, load_scenario

CALM = (SCENARIO_DIR / "calm.toml").read_text(encoding="utf-8")
TEXTS = {"scenario": CALM, "settings": settings_text(), "plan": plan_text()}
LOADERS = {"scenario": load_scenario, "settings": load_settings, "plan": load_plan}
NAMES = {"scenario": "a scenario", "settings": "the board's settings", "plan": "a plan of the box"}
BEGINNINGS = {
    "scenario": "`thistledown fly --new-scenario FILE`",
    "settings": "`thistledown settings init FILE`",
    "plan": "`thistledown bench --new-plan FILE`",
}


def refusal(tmp_path, wanted, text):
    path = tmp_path / "given.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        LOADERS[wanted](path)
    line = str(caught.value)
    assert "\n" not in line and line.startswith(f"{path}: ")
    return line.removeprefix(f"{path}: ")


@pytest.mark.parametrize("wanted", LOADERS)
@pytest.mark.parametrize("given", TEXTS)
def test_a_file_of_another_kind_is_called_what_it_is_and_what_is_wanted_is_said(tmp_path, given, wanted):
    if given == wanted:
        path = tmp_path / "good.toml"
        path.write_text(TEXTS[given], encoding="utf-8")
        LOADERS[wanted](path)
        return
    line = refusal(tmp_path, wanted, TEXTS[given])
    assert line.startswith(f"seems to be {NAMES[given]}, for `")
    assert f"; {NAMES[wanted]} " in line and BEGINNINGS[wanted] in line
    assert "known key" not in line


def test_one_table_that_two_kinds_share_is_of_the_kind_that_it_is_whole_for(tmp_path):
    panel = plan_text().split("\n[battery]")[0]
    assert set(tomllib.loads(panel)) == {"panel"}
    assert refusal(tmp_path, "scenario", panel).startswith("seems to be a plan of the box")
    shared = "[panel]\nload_ohm = 10.0\n"
    assert refusal(tmp_path, "scenario", shared).startswith("seems to be a plan of the box")


@pytest.mark.parametrize(
    ("wanted", "old", "new", "said"),
    [
        ("scenario", "[parachute]", "[parashute]", "parashute is not a known key; did you mean parachute?"),
        ("plan", "load_ohm", "load_ohms", "panel.load_ohms is not a known key; did you mean panel.load_ohm?"),
        ("settings", "led_pin", "led_pins", "led_pins is not a known key; did you mean led_pin?"),
    ],
)
def test_a_slip_in_the_right_kind_is_named_as_before(tmp_path, wanted, old, new, said):
    assert refusal(tmp_path, wanted, TEXTS[wanted].replace(old, new)).startswith(said)


def test_a_misspelt_key_of_the_shared_table_alone_is_a_slip_and_no_other_kind(tmp_path):
    assert refusal(tmp_path, "plan", "[panel]\nload_ohm = 10.0\nload_ohn = 3.0\n").startswith("panel.load_ohn is not")


def test_one_misspelt_key_that_is_all_there_is_is_still_a_slip(tmp_path):
    assert refusal(tmp_path, "settings", "log_size_mb = 64\n").startswith(
        "log_size_mb is not a known key; did you mean"
    )


@pytest.mark.parametrize("wanted", LOADERS)
def test_a_file_of_no_kind_of_ours_is_said_to_have_none_of_the_keys(tmp_path, wanted):
    line = refusal(tmp_path, wanted, '[project]\nname = "x"\n[tool.things]\npanel = 3\n')
    assert line.startswith(f"holds none of the keys of {NAMES[wanted]}; ") and BEGINNINGS[wanted] in line


def test_keys_under_a_heading_that_is_not_wanted_are_told_of_the_heading(tmp_path):
    line = refusal(tmp_path, "settings", '[recorder]\ncontact = "x"\nled_pin = 2\n')
    assert line == "has the keys of the board's settings under [recorder]; take such lines out"
    line = refusal(tmp_path, "settings", '[who]\ncontact = "x"\n[light]\nled_pin = 2\n')
    assert "under [who], [light];" in line


def test_an_empty_scenario_is_called_empty_and_not_full_of_missing_keys(tmp_path):
    line = refusal(tmp_path, "scenario", "# nothing yet\n")
    assert line.startswith("is empty; a scenario is wanted here; ") and BEGINNINGS["scenario"] in line


def test_a_key_counts_only_in_the_shape_that_its_kind_gives_it():
    scenario, settings, plan = (kind.model for kind in kinds())
    assert known_keys(scenario, {"panel": 3, "seed": 1}) == 1
    assert known_keys(scenario, {"panel": {"load_ohm": 1, "shunt_ohm": 1}, "faults": []}) == 3
    assert known_keys(plan, {"panel": {"load_ohm": 1, "shunt_ohm": 1}, "faults": []}) == 3
    assert known_keys(settings, {"panel": {"load_ohm": 1}, "contact": {}}) == 0

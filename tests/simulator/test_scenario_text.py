"""The commented scenario to start from: it flies, it names every key with its limits, and nothing in it is stale."""

import re
import tomllib
from typing import get_args

import pytest

from ground import cli
from ground.simulator.scenario import Scenario, load_scenario, parse_scenario
from ground.simulator.scenario_errors import models_of
from ground.simulator.scenario_faults import Fault
from ground.simulator.scenario_text import new_scenario_text

TEXT = new_scenario_text()


def sections():
    """{table or "": its text}, the list tables of the sensors under their own name."""
    parts = re.split(r"^\[+([a-z.]+)\]+$", TEXT, flags=re.MULTILINE)
    found = {"": parts[0]}
    for name, text in zip(parts[1::2], parts[2::2], strict=True):
        found.setdefault(name, text)
    return found


def test_it_is_the_calm_flight_under_a_name_of_its_own():
    written = parse_scenario(tomllib.loads(TEXT), "x")
    assert written == load_scenario("calm").model_copy(update={"name": "My flight"})


@pytest.mark.parametrize(
    "table",
    [
        key
        for key, field in Scenario.model_fields.items()
        if models_of(field.annotation) and key not in ("sensors", "faults")
    ],
)
def test_every_key_of_a_table_is_there_with_its_limits_in_the_lines_above(table):
    (model,) = models_of(Scenario.model_fields[table].annotation)
    lines = sections()[table].splitlines()
    above = []
    for line in lines:
        match = re.match(r"(?:# )?([a-z_0-9]+) (?:=|\(left out here\):)", line)
        if not match or match[1] not in model.model_fields:
            above.append(line)
            continue
        field = model.model_fields[match[1]]
        told = " ".join(line.lstrip("# ") for line in [*above, line, *(lines if "left out" in line else [])])
        for bound in ("ge", "le", "gt"):
            value = next((getattr(m, bound) for m in field.metadata if hasattr(m, bound)), None)
            assert value is None or f"{value:g}" in told, (match[1], told)
        assert field.is_required() == told.rstrip().endswith("needed " + line) or "left out" in line, told
        above = []
    named = set(re.findall(r"^(?:# )?([a-z_0-9]+) (?:=|\(left out here\))", sections()[table], flags=re.MULTILINE))
    assert set(model.model_fields) <= named


def test_every_chip_and_every_fault_is_named_with_its_keys():
    for field in Scenario.model_fields["sensors"].annotation.model_fields.values():
        for model in models_of(field.annotation):
            for chip in get_args(model.model_fields["chip"].annotation):
                assert re.search(rf"chips: .*\b{chip}\b", TEXT), chip
    for model in models_of(Fault):
        (kind,) = get_args(model.model_fields["kind"].annotation)
        told = re.search(rf'"{kind}" \((.*?)\): \w', TEXT, flags=re.DOTALL)
        assert told, kind
        assert set(re.findall(r"\w+", told[1].replace("\n# ", " "))) == set(model.model_fields) - {"kind"}


def test_the_fault_that_it_offers_is_one():
    lines = TEXT.splitlines()
    start = lines.index("# [[faults]]")
    fault = "\n".join(line.removeprefix("# ") for line in lines[start : start + 4])
    assert [f.kind for f in parse_scenario(tomllib.loads(TEXT + fault), "x").faults] == ["power_cut"]


def test_it_says_what_can_hurt_before_the_first_key():
    head = TEXT.split("\nname = ")[0]
    assert "never permission" in head and "licence" in head


# From the command line ---------------------------------------------------------------------------------------------


def test_fly_writes_it_and_nothing_over_it_without_force(tmp_path, capsys):
    path = tmp_path / "ours.toml"
    assert cli.run(["fly", "--new-scenario", str(path)]) == 0
    assert "Put your own flight into it, then:" in capsys.readouterr().out
    assert path.read_text(encoding="utf-8") == TEXT
    assert load_scenario(path).name == "My flight"
    assert cli.run(["fly", "--new-scenario", str(path)]) == 1
    assert "--force" in capsys.readouterr().err
    assert cli.run(["fly", "--new-scenario", str(path), "--force"]) == 0


def test_fly_wants_a_scenario_or_a_file_for_a_new_one_and_not_both(tmp_path, capsys):
    assert cli.run(["fly"]) == 2
    assert "name a SCENARIO" in capsys.readouterr().err
    assert cli.run(["fly", "calm", "--new-scenario", str(tmp_path / "x.toml")]) == 2
    assert "leave SCENARIO out" in capsys.readouterr().err
    assert not (tmp_path / "x.toml").exists()

"""A commented scenario file to start from: every table and key with what it takes, made from the models themselves.

The values are those of the shipped scenario `calm`, so the file flies as it is; the explanations cannot grow stale,
for they are the very descriptions and limits by which a scenario is checked.
"""

import json
import textwrap
from datetime import datetime
from typing import get_args

from pydantic import BaseModel

from ground.simulator.scenario import Scenario, load_scenario
from ground.simulator.scenario_errors import allowed, is_hex, models_of
from ground.simulator.scenario_faults import Fault

_WIDTH = 110
_EXAMPLE = "calm"
_NAME = "My flight"
_HEAD = (
    "A scenario: everything that decides one simulated flight. Fly it with: thistledown fly THIS-FILE",
    "What stands here is an invented flight on an invented day. Put in your own [launch], [payload], [balloon], "
    "[parachute] and [landing]; any other key, and any other table as a whole, may be left out and then has its "
    "default. A name ends in the unit: _m metres, _kg kilograms, _s seconds, _c degrees Celsius, _mps metres a second.",
    "What a simulated flight shows is an estimate and never permission. Gas, falling boxes, air traffic and lithium "
    "cells can hurt: local rules come first, and where a licence is needed, a person who has it decides.",
)
_FAULTS = (
    "What goes wrong, each a table of its own: none here. at_s is its moment in seconds after the release (negative: "
    "on the ground, before it), for_s how long it lasts, chip the name of the chip that it befalls. Both times may be "
    "left out of most kinds: from power-up on, and for good. To have this one, take the # away in front of its lines:"
)


def new_scenario_text():
    """The text of the file."""
    scenario = load_scenario(_EXAMPLE).model_copy(update={"name": _NAME, "faults": []})
    lines = [line for sentence in _HEAD for line in _comment(sentence)] + [""]
    tables = []
    for key, field in Scenario.model_fields.items():
        value = getattr(scenario, key)
        if key == "faults":
            continue
        if key == "sensors":
            tables += _sensors(value)
        elif isinstance(value, BaseModel):
            tables += ["", f"[{key}]", *_told(type(value)), *_fields(value)]
        else:
            lines += _field(key, field, value)
    return "\n".join([*lines, *tables, "", *_faults()]) + "\n"


def _fields(part):
    return [line for key, field in type(part).model_fields.items() for line in _field(key, field, getattr(part, key))]


def _field(key, field, value):
    """An explanation and the key; a key without a value is named in the explanation alone."""
    range_ = allowed(field, key).replace(f" ({field.description})", "")
    what = "; ".join(dict.fromkeys(part for part in (field.description, range_) if part))
    if value is None:
        return _comment(f"{key} (left out here): {what}")
    if key == "chip":
        return [f"{key} = {_written(key, value)}"]
    default = "needed" if field.is_required() else f"default {_written(key, field.default)}"
    return [*_comment(f"{what}; {default}"), f"{key} = {_written(key, value)}"]


def _sensors(sensors):
    """The chips as lists of tables; the keys of a model are explained where it comes first."""
    lines, explained = ["", *_comment(" ".join(type(sensors).__doc__.split()))], set()
    for group, field in type(sensors).model_fields.items():
        models = models_of(field.annotation)
        chips = [chip for model in models for chip in get_args(model.model_fields["chip"].annotation)]
        lines += ["", *_comment(f"{group}, chips: {', '.join(chips)}")]
        for chip in getattr(sensors, group):
            known = type(chip) in explained
            explained.add(type(chip))
            keys = [f"{key} = {_written(key, getattr(chip, key))}" for key in type(chip).model_fields]
            lines += [f"[[sensors.{group}]]", *(keys if known else [*_told(type(chip)), *_fields(chip)])]
    return lines


def _faults():
    lines = _comment(_FAULTS)
    lines += [
        "# [[faults]]",
        '# kind = "power_cut"',
        "# at_s = 2400.0",
        "# for_s = 6.0",
        *_comment("All kinds, and the keys of each:"),
    ]
    for model in models_of(Fault):
        (kind,) = get_args(model.model_fields["kind"].annotation)
        keys = ", ".join(key for key in model.model_fields if key != "kind")
        lines += _comment(f'"{kind}" ({keys}): {" ".join(_told(model, ""))}')
    return lines


def _told(model, mark="# "):
    """What a model says of itself."""
    said = " ".join((vars(model).get("__doc__") or "").split())
    return textwrap.wrap(said, _WIDTH, initial_indent=mark, subsequent_indent=mark) if said else []


def _comment(text):
    return textwrap.wrap(text, _WIDTH, initial_indent="# ", subsequent_indent="# ", break_on_hyphens=False)


def _written(key, value):
    """A value as TOML has it."""
    if value is None:
        return "none"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return json.dumps(value)
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    return f"0x{value:02X}" if is_hex(key) else repr(value)

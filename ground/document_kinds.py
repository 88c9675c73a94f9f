"""Which of our TOML files a refused one seems to be: a scenario, the board's settings or the plan of the box.

All three are made of tables and keys, and two of them share a [panel]. So the keys that each kind knows are counted
in the file, one level deep: the kind that knows more of them than the wanted one is what the file seems to be.
"""

import difflib
from typing import NamedTuple

from pydantic import BaseModel, ValidationError

from ground.simulator.scenario_errors import models_of


class Kind(NamedTuple):
    """One kind of file: its model, its name, the same with its verb, who takes it, and how one comes by it."""

    model: type[BaseModel]
    name: str
    wanted: str
    taken_by: str
    begin: str


def kinds():
    """Every kind of TOML file that the tools take. (Imported here, for their modules import the checks.)"""
    from ground.bench.plan import Plan
    from ground.settings import Settings
    from ground.simulator.scenario import Scenario

    return (
        Kind(
            Scenario,
            "a scenario",
            "a scenario is",
            "`thistledown fly`",
            "`thistledown fly --new-scenario FILE` writes one",
        ),
        Kind(
            Settings,
            "the board's settings",
            "the board's settings are",
            "`--settings`",
            "`thistledown settings init FILE` writes a file",
        ),
        Kind(
            Plan,
            "a plan of the box",
            "a plan of the box is",
            "`thistledown bench --plan`",
            "`thistledown bench --new-plan FILE` writes one",
        ),
    )


def misplaced(model, raw):
    """What a refused file seems to be instead of a `model`, and what was wanted: half a line, or None.

    Parameters
    ----------
    model : type
        What the file should have been.
    raw : dict
        The file, as `tomllib` reads it.
    """
    every = kinds()
    wanted = next((kind for kind in every if kind.model is model), None)
    if wanted is None:
        return None
    step = f"{wanted.wanted} wanted here; {wanted.begin} to start from"
    if not raw:
        return f"is empty; {step}"
    known = {kind: known_keys(kind.model, raw) for kind in every}
    likely = max(every, key=lambda kind: (known[kind], kind is not wanted and _fits(kind.model, raw), kind is wanted))
    if known[likely] == 0 and _is_slip(model, raw):
        return None
    if known[likely] == 0 and all(_is_heading(model, content) for content in raw.values()):
        headings = ", ".join(f"[{table}]" for table in raw)
        return f"has the keys of {wanted.name} under {headings}; take such lines out"
    if known[likely] == 0:
        return f"holds none of the keys of {wanted.name}; {step}"
    if likely is wanted:
        return None
    return f"seems to be {likely.name}, for {likely.taken_by}; {step}"


def known_keys(model, raw):
    """How many keys of a file a model knows: its own, and those in its tables."""
    count = 0
    for key, value in raw.items():
        field = model.model_fields.get(key)
        tables = models_of(field.annotation) if field else []
        if field is None or isinstance(value, dict | list) != bool(tables):
            continue
        names = {name for table in tables for name in table.model_fields}
        count += 1 + (len(names & value.keys()) if isinstance(value, dict) else 0)
    return count


def _is_slip(model, raw):
    """Whether a key is nearly one of the model's."""
    return any(difflib.get_close_matches(key, model.model_fields, n=1) for key in raw)


def _is_heading(model, content):
    """Whether a table holds nothing but keys that the model has at its top."""
    return isinstance(content, dict) and bool(content) and content.keys() <= model.model_fields.keys()


def _fits(model, raw):
    try:
        model.model_validate(raw)
    except ValidationError:
        return False
    return True

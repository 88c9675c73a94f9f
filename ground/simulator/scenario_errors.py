"""What is wrong with a scenario, a plan or settings, in one line: key, value, what is allowed, the key meant."""

import difflib
from datetime import date, time
from typing import get_args

from pydantic import BaseModel, ValidationError

from ground.errors import InputError
from ground.simulator.scenario_parts import A_MOMENT

_TAGS = ("chip", "kind")


def checked(model, raw, where):
    """A checked `model` from a dict as `tomllib` makes it.

    Raises
    ------
    InputError
        One line that begins with `where` and names the key, its value and what is allowed; or says that the file
        is of another kind.
    """
    try:
        return model.model_validate(raw)
    except ValidationError as error:
        from ground.document_kinds import misplaced  # which knows the models, and they know this file

        raise InputError(f"{where}: {misplaced(model, raw) or first_error_line(model, raw, error)}") from None


def first_error_line(model, raw, error):
    """One line about a pydantic ValidationError of `model` on the dict `raw`.

    A misspelt key is two errors to pydantic, one unknown and one missing; the unknown one is the helpful one, so
    it goes first.
    """
    errors = sorted(error.errors(include_url=False), key=lambda e: e["type"] != "extra_forbidden")
    line = _line(model, raw, errors[0])
    more = sum(1 for e in errors[1:] if e["type"] != "missing" or errors[0]["type"] != "extra_forbidden")
    if more:
        line += f" (and {more} more wrong {'value' if more == 1 else 'values'})"
    return line


def _line(model, raw, err):
    owner, key, path = _walk(model, raw, err["loc"])
    field = owner.model_fields.get(key) if owner else None
    annotation = field.annotation if field else None
    kind = err["type"]
    if kind == "extra_forbidden":
        return f"{path} is not a known key; {_meant(model, owner, key, path)}"
    if kind == "missing":
        return f"{path} is missing; it must be {allowed(field)}"
    if kind == "union_tag_not_found":
        tag = err["ctx"]["discriminator"].strip("'")
        return f"{path}.{tag} is missing; allowed: {', '.join(_tag_values(annotation, tag))}"
    if kind == "union_tag_invalid":
        tag = err["ctx"]["discriminator"].strip("'")
        values = ", ".join(_tag_values(annotation, tag))
        return f"{path}.{tag} = {_shown(err['ctx']['tag'])} is not known; allowed: {values}"
    if kind == "value_error" and not path:
        return str(err["ctx"]["error"])
    if kind == "value_error":
        return f"{path} = {_shown(err['input'])} {err['ctx']['error']}"
    if kind == "model_type":
        return f"{path} = {_shown(err['input'])} must be a table of keys, [{path}]"
    if kind == "list_type":
        return f"{path} = {_shown(err['input'])} must be a list of tables, [[{path}]]"
    return f"{path} = {_shown(err['input'], key)} must be {allowed(field, key)}"


def _walk(model, raw, loc):
    """(model that owns the last key, that key, dotted path); leaves out the tags that pydantic puts into `loc`."""
    owner, key, path, annotation = model, "", "", model
    for step in loc:
        if isinstance(step, int):
            path += f"[{step}]"
            raw = raw[step] if isinstance(raw, list) and step < len(raw) else None
            annotation = _models_in(annotation, raw) or annotation
            continue
        if isinstance(raw, dict) and step not in raw and step in [raw.get(tag) for tag in _TAGS]:
            continue
        found = _models_in(annotation, raw)
        if found is not None:
            owner, key = found, step
            field = owner.model_fields.get(step)
            annotation = field.annotation if field else None
        path += f".{step}" if path else str(step)
        raw = raw.get(step) if isinstance(raw, dict) else None
    return owner, key, path


def _models_in(annotation, raw):
    """The model that an annotation holds; among several, the one whose tag `raw` carries."""
    models = models_of(annotation)
    if len(models) > 1 and isinstance(raw, dict):
        models = [m for m in models if raw.get(_tag_of(m)) in get_args(m.model_fields[_tag_of(m)].annotation)]
    return models[0] if models else None


def models_of(annotation):
    """Every model that an annotation names: itself, or members of its list or union."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [m for argument in get_args(annotation) for m in models_of(argument)]


def _tag_of(model):
    return next((tag for tag in _TAGS if tag in model.model_fields), "chip")


def _tag_values(annotation, tag):
    return [v for m in models_of(annotation) for v in get_args(m.model_fields[tag].annotation)]


def _meant(model, owner, key, path):
    """The nearest known key: in the same table, else the same name in another table, else all keys of the table."""
    known = list(owner.model_fields) if owner else []
    prefix = path[: len(path) - len(key)]
    near = difflib.get_close_matches(key, known, n=1, cutoff=0.6)
    near = near or [name for name in known if name.startswith(f"{key}_")][:1]
    if near:
        return f"did you mean {prefix}{near[0]}?"
    for table, field in model.model_fields.items():
        for part in models_of(field.annotation):
            if key in part.model_fields:
                return f"did you mean {table}.{key}?"
    return f"known keys here: {', '.join(known)}"


def allowed(field, key=""):
    """What a field takes, in words."""
    if field is None:
        return "something else"
    if models_of(field.annotation):
        return "a table of keys"
    low, high, above, pattern, length = (
        next((getattr(m, name) for m in field.metadata if getattr(m, name, None) is not None), None)
        for name in ("ge", "le", "gt", "pattern", "max_length")
    )
    literals = [v for v in get_args(field.annotation) if isinstance(v, (str, int))]
    if literals:
        return "one of: " + ", ".join(v if isinstance(v, str) else _shown(v, key) for v in literals)
    what = field.description or ""
    if high is not None and is_hex(key):
        return f"from {_shown(low, key)} to {_shown(high, key)}" + (f" ({what})" if what else "")
    if high is not None:
        noun = "a whole number" if field.annotation is int else "a number"
        span = f"above {above:g} and at most {high:g}" if low is None else f"from {_plain(low)} to {_plain(high)}"
        return f"{noun} {span}" + (f" ({what})" if what else "")
    if pattern and what and "hex" in what:
        return f"a text: {what}"
    if pattern:
        return "a name of lower-case letters, digits and _, a letter first, 16 at most"
    if field.annotation is str or str in get_args(field.annotation):
        return f"a line of text, {length} characters at most"
    if low is not None:
        return f"a number of at least {_plain(low)}" + (f" ({what})" if what else "")
    if field.annotation is bool:
        return "true or false" + (f" ({what})" if what else "")
    if isinstance(field.annotation, type) and issubclass(field.annotation, date):
        return A_MOMENT
    return what or "something else"


def is_hex(key):
    """Addresses of a bus are written in hexadecimal wherever people meet them."""
    return key == "address" or key.endswith("_address")


def _plain(bound):
    """A bound as people write it: whole numbers with all their digits."""
    return str(bound) if isinstance(bound, int) else f"{bound:g}"


def _shown(value, key=""):
    """A value as the file would write it, cut to a handy length."""
    if is_hex(key) and type(value) is int and value >= 0:
        text = f"0x{value:02X}"
    elif isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, str):
        text = f'"{"".join(ch if ch.isprintable() else ch.encode("unicode_escape").decode() for ch in value)}"'
    elif isinstance(value, date | time):
        text = value.isoformat()
    else:
        text = repr(value).replace("\n", " ")
    return text if len(text) <= 60 else text[:57] + "..."

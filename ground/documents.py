"""TOML and JSON files that somebody else may have written: a dict or list, or one clear line.

The parsers of the standard library raise more than their own errors: RecursionError for a file that is nested a
thousand deep, and ValueError for a number of more than 4300 digits.
"""

import json
import re
import tomllib
from pathlib import Path

from ground.errors import InputError

_LINE = re.compile(r"line ([0-9]{1,9})")
# What people write most often where TOML wants something else: the line that cannot be read, and what to write.
_SLIPS = tuple(
    (re.compile(pattern), words)
    for pattern, words in (
        (r"=\s*[-+]?[0-9]+,[0-9]", "write a decimal point, not a comma"),
        (r"=\s*[\u201c\u201d\u201e\u00ab\u2018\u2019]", 'text stands in plain quotes, "like this"'),
        (r'=\s*"[^"]*\\', "in a path, write / in place of \\"),
        (r"=\s*[0-9]{1,4}[-./][0-9]{1,2}[-./][0-9]", "a moment is written 2026-09-19T04:30:00Z"),
        (r"=\s*[-+]?\.[0-9]", "a number begins with a digit: 0.5"),
        (r"=\s*[-+]?0[0-9]", "a number does not begin with a 0"),
        (r"=\s*[-+]?(?!0[xob])[0-9][0-9.]*\s*[^\W\d]", "a number stands alone; its unit is in the name of the key"),
        (r"=\s*[-+]?[0-9][0-9.]*\s*[\u00b0'/]", "a number is written with digits and a decimal point alone"),
        (r"=\s*(?!(?:true|false|inf|nan)\b)[^\W\d]", "text stands in quotes"),
        (r"=\s*(?:#.*)?$", "a value is missing after the ="),
    )
)
# The parser's own words that say too little.
_TWICE = re.compile(r"Cannot overwrite a value|Cannot declare .* twice")


def read_toml(path, what, step):
    """The dict in a TOML file.

    Parameters
    ----------
    path : str or pathlib.Path
    what : str
        For the error line: what is TOML, as in "settings are TOML".
    step : str
        For the error line of a file that cannot be read: what to do next.

    Raises
    ------
    InputError
    """
    text = _text(path, f"is not a text file; {what} in UTF-8", step)
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        said = " ".join(str(error).split())
        raise InputError(f"{path}: is not valid TOML: {said}{_hint(text, error, what, step)}") from None
    except RecursionError:
        raise InputError(f"{path}: is not valid TOML: nested too deep; {what} in UTF-8") from None
    except ValueError:
        raise InputError(f"{path}: is not valid TOML: a number in it has too many digits") from None


def _hint(text, error, what, step):
    """What was most probably meant."""
    if _is_json(text):
        return f"; it is JSON, and {what}: {step}"
    place = _LINE.search(str(error))
    lines = text.splitlines()
    line = lines[int(place[1]) - 1] if place and 0 < int(place[1]) <= len(lines) else ""
    if _TWICE.search(str(error)):
        return "; it is there twice: keep one"
    return next((f"; {words}" for slip, words in _SLIPS if slip.search(line)), "")


def _is_json(text):
    """Whether a text is a JSON object or list as a whole."""
    if text.lstrip()[:1] not in ("{", "["):
        return False
    try:
        json.loads(text)
    except (ValueError, RecursionError):
        return False
    return True


def read_json(path, broken, step):
    """The value in a JSON file; `broken` ends the error line of one that holds none. Raises InputError."""
    text = _text(path, broken, step)
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        raise InputError(f"{path}: {broken}") from None


def _text(path, broken, step):
    try:
        return Path(path).read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); {step}") from None
    except UnicodeDecodeError:
        raise InputError(f"{path}: {broken}") from None

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
_DECIMAL_COMMA = re.compile(r"=\s*[-+]?[0-9]+,[0-9]")
_BARE_WORD = re.compile(r"=\s*(?!(?:true|false|inf|nan)\b)[^\W\d]")


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
        raise InputError(f"{path}: is not valid TOML: {' '.join(str(error).split())}{_hint(text, error)}") from None
    except RecursionError:
        raise InputError(f"{path}: is not valid TOML: nested too deep; {what} in UTF-8") from None
    except ValueError:
        raise InputError(f"{path}: is not valid TOML: a number in it has too many digits") from None


def _hint(text, error):
    """What people write most often where TOML wants something else."""
    place = _LINE.search(str(error))
    lines = text.splitlines()
    line = lines[int(place[1]) - 1] if place and 0 < int(place[1]) <= len(lines) else ""
    if _DECIMAL_COMMA.search(line):
        return "; write a decimal point, not a comma"
    return "; text stands in quotes" if _BARE_WORD.search(line) else ""


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

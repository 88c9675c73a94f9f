"""Modules put into one are the same program, whatever names they have in common."""

import ast

import pytest

from ground.install.bundle import bundle, residents

PROGRAM = {
    "kit.rope": (
        "import math\nfrom kit.tools import number\n_LONG = 7\n"
        "def _cut(length):\n    return length // 2 + number()\n"
        "def pull(length=_LONG):\n    return _cut(length) + math.floor(0.5)\n"
    ),
    "kit.saw": (
        "from kit.rope import pull as draw\nfrom kit.tools import other as number\n_LONG = 100\n"
        "def _cut(length):\n    return length * 3\n"
        "class Saw:\n    _cut = 5\n    def pull(self):\n        return draw(_cut(_LONG)) + self._cut + number()\n"
    ),
    "kit.tools": "def number():\n    return 1000\ndef other():\n    return 20000\n",
    "kit.main": (
        "from kit.saw import Saw, _cut\n"
        "def main():\n    from kit.rope import pull\n    return Saw().pull(), pull(), _cut(1)\n"
    ),
}


def result(texts, order):
    """What main() gives, the modules being run one after the other with imports done by hand."""
    scopes = {}
    for name in order:
        scope = scopes[name] = {}

        def fetch(module, _globals=None, _locals=None, wanted=(), _level=0):
            return (
                type(
                    "Module",
                    (),
                    {key: staticmethod(value) if callable(value) else value for key, value in scopes[module].items()},
                )
                if module in scopes
                else __import__(module)
            )

        scope["__builtins__"] = {"__import__": fetch, "__build_class__": __build_class__, "__name__": name}
        exec(compile(texts[name], name, "exec"), scope)
    return scopes["kit.main"]["main"]()


def test_names_that_two_modules_share_stay_apart_in_one():
    whole = bundle({name: ast.parse(text) for name, text in PROGRAM.items()}, {"kit.rope", "kit.saw"}, "kit.whole")
    texts = {name: ast.unparse(ast.fix_missing_locations(tree)) for name, tree in whole.items()}
    assert set(texts) == {"kit.whole", "kit.tools", "kit.main"}
    expected = result(PROGRAM, ["kit.tools", "kit.rope", "kit.saw", "kit.main"])
    assert expected == (150 + 1000 + 5 + 20000, 3 + 1000, 3)
    assert result(texts, ["kit.tools", "kit.whole", "kit.main"]) == expected


def test_a_module_that_somebody_uses_as_an_object_can_not_be_bundled():
    program = {"kit.rope": "LONG = 1\n", "kit.main": "from kit import rope\n"}
    with pytest.raises(ValueError, match=r"kit.main imports the module rope as an object"):
        bundle({name: ast.parse(text) for name, text in program.items()}, {"kit.rope"}, "kit.whole")


def test_what_a_module_needs_from_its_first_line_on_is_resident_and_what_a_function_imports_is_not():
    program = {
        "kit": "",
        "kit.start": "from kit.a import x\ndef f():\n    from kit.c import y\n",
        "kit.a": "from kit.b import x\n",
        "kit.b": "x = 1\n",
        "kit.c": "y = 1\n",
    }
    assert residents({name: ast.parse(text) for name, text in program.items()}, "kit.start", {"kit.start"}) == {
        "kit.a",
        "kit.b",
    }


def test_what_a_function_imports_never_has_the_name_of_a_constant_of_another_module():
    program = {
        "kit.tools": "_number = (1, 2)\n",
        "kit.rope": "_number = const(7)\ndef first():\n    return _number\n",
        "kit.saw": "def second():\n    from kit.tools import _number\n    return _number\n",
    }
    whole = bundle({name: ast.parse(text) for name, text in program.items()}, {"kit.rope", "kit.saw"}, "kit.whole")
    text = ast.unparse(ast.fix_missing_locations(whole["kit.whole"]))
    second = text[text.index("def second") :]
    assert "_number as _" in second and "return _number" not in second

"""The firmware with short names is the same firmware, and what could break in the shortening is refused."""

import filecmp
from pathlib import Path

import pytest

from ground.install.build import RESIDENT, compile_all, lean_sources, sources
from ground.install.lean import NotLean, lean
from ground.simulator.flight import fly
from ground.simulator.scenario import load_scenario
from tests.interpreters import micropython_path

PROGRAM = {
    "kit.codes": "from kit.compat import const\nLATE = const(-7)\nEARLY = const(7)\n",
    "kit.compat": "try:\n    from micropython import const\nexcept ImportError:\n    def const(v):\n        return v\n",
    "kit.pump": (
        "from kit import codes\nfrom kit.compat import const\nfrom kit.codes import EARLY\n_STEP = const(3)\n"
        "class Pump:\n"
        "    def __init__(self, first_level, step):\n"
        "        self._level = first_level\n        self.turns = 0\n        self._step = step\n"
        "    def turn_on(self, how_far):\n"
        "        self._level += how_far * self._step + _STEP\n        self.turns += 1\n"
        "        return codes.LATE if how_far > EARLY else self._level\n"
    ),
    "kit.main": (
        "from kit.pump import Pump\nfrom kit import pump as pumps\n"
        "def _twice(action, number):\n    return [action(number), action(number)]\n"
        "def main(wanted=2):\n"
        "    pump = Pump(1, step=10)\n    other = pumps.Pump(0, 1)\n"
        "    return _twice(lambda far: pump.turn_on(far) + other.turn_on(far), wanted), pump.turns\n"
    ),
}


def run(program):
    """Import the modules of a program from text and give back what kit.main's main() returns for 2 and for 9."""
    import sys
    import types

    before = dict(sys.modules)
    try:
        sys.modules["kit"] = kit = types.ModuleType("kit")
        kit.__path__ = []
        for name in ("kit.compat", "kit.codes", "kit.pump", "kit.main"):
            module = sys.modules[name] = types.ModuleType(name)
            module.const = lambda value: value  # the board's compiler knows it without an import
            setattr(kit, name.split(".")[1], module)
            exec(compile(program[name], name, "exec"), module.__dict__)
        return sys.modules["kit.main"].main(2), sys.modules["kit.main"].main(9)
    finally:
        for name in list(sys.modules):
            if name not in before:
                del sys.modules[name]


def test_a_shortened_program_gives_the_same_answers():
    short = lean(PROGRAM, kept_names={"main"})
    assert run(short) == run(PROGRAM)


def test_names_that_only_people_need_are_gone():
    short = "\n".join(lean(PROGRAM, kept_names={"main"}).values())
    for name in ("_level", "turns", "turn_on", "how_far", "LATE", "EARLY", "_twice", "Pump", "first_level"):
        assert name not in short.replace("kit.pump", ""), name
    assert "step=" in short, "a parameter that a call spells out keeps its name"


def test_two_names_of_one_object_never_become_one():
    names = [f"_part_{number}" for number in range(60)] + [f"part_{number}" for number in range(60)]
    body = "".join(f"        self.{name} = {number}\n" for number, name in enumerate(names))
    total = "+".join(f"self.{name}" for name in names)
    module = "class Box:\n    def __init__(self):\n" + body + "    def total(self):\n        return " + total + "\n"
    scope = {}
    exec(lean({"box": module}, kept_names={"Box", "total"})["box"], scope)
    box = scope["Box"]()
    assert len(vars(box)) == len(names)
    assert box.total() == sum(range(120))


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("class A(list):\n    pass\n", "bases"),
        ("def f(other):\n    return other._secret\n", "another object"),
        ("x = 1\ndef f():\n    global x\n    x = 2\n", "global"),
        ("from kit.pump import _STEP\nx = _STEP\n", "private name is imported"),
    ],
)
def test_what_shortening_could_break_is_refused(text, what):
    with pytest.raises(NotLean, match=what):
        lean({"kit.pump": text})


def test_a_name_that_hardware_or_text_uses_keeps_its_length():
    text = (
        "class Lamp:\n    def value(self, x):\n        return x\n"
        "    def clear(self):\n        return hasattr(self, 'clear')\n"
    )
    short = lean({"lamp": text})["lamp"]
    assert "def value" in short and "def clear" in short


def test_every_module_of_the_firmware_can_be_shortened():
    short = lean_sources()
    apart = set(sources()) & set(short)
    assert set(short) - apart == {Path(RESIDENT)}
    bundled = {Path(path) for path in ("firmware/core/framer.py", "firmware/core/phase.py", "firmware/tasks/gnss.py")}
    assert bundled <= set(sources()) - apart
    assert {Path("firmware/main.py"), Path("firmware/drivers/ms5611.py"), Path("firmware/start_up.py")} <= apart


@pytest.mark.skipif(not micropython_path(), reason="real MicroPython cannot be had on this platform")
def test_shortened_and_compiled_firmware_leaves_the_same_card_byte_for_byte(tmp_path):
    compile_all(tmp_path / "board")
    flights = [
        fly(load_scenario("demo"), tmp_path / name, stop_after_s=150, firmware_folder=folder)
        for name, folder in (("plain", None), ("lean", tmp_path / "board"))
    ]
    assert [flight.complaints() for flight in flights] == [[], []]
    assert flights[0].boots[0]["counts"]["card_writes_data"] > 100
    assert filecmp.cmp(flights[0].card_image, flights[1].card_image, shallow=False)

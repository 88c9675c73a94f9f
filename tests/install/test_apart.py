"""A constant and an import of one name: the board's compiler must not put the number where the import is meant."""

import re

import pytest

from ground.install.apart import constants_apart
from ground.install.build import lean_sources
from tests.interpreters import INTERPRETERS, run

PROGRAM = """
_aj = const(7)

def seven():
    return _aj

def packed():
    from struct import pack as _aj
    return _aj("<B", 1)

class Box:
    _size = _aj

    def both(self):
        import struct as _aj
        return _aj.calcsize("<H"), seven()
"""
ASK = "\nprint(seven(), packed(), Box().both(), Box._size)\n"


@pytest.mark.skipif("micropython" not in INTERPRETERS, reason="it is MicroPython's compiler that does it")
def test_what_was_imported_is_meant_where_it_was_imported():
    assert (
        run("from micropython import const\n" + constants_apart(PROGRAM) + ASK, "micropython")
        == "7 b'\\x01' (2, 7) 7\n"
    )


@pytest.mark.skipif("micropython" not in INTERPRETERS, reason="it is MicroPython's compiler that does it")
def test_the_trap_is_still_there():
    """If this fails the compiler has changed, and apart.py may go."""
    with pytest.raises(AssertionError):
        run("from micropython import const\n" + PROGRAM + ASK, "micropython")


def test_a_module_without_the_trap_stays_as_it_is():
    text = "_a = const(7)\n\n\ndef f():\n    # a remark\n    return _a\n"
    assert constants_apart(text) == text


def test_no_module_of_the_firmware_has_the_trap():
    for path, text in lean_sources().items():
        constants = set(re.findall(r"^(\w+) = const\(", text, re.M))
        imported = set()
        for line in re.findall(r"^\s+(?:from \S+ )?import (.+)$", text, re.M):
            imported |= {part.split(" as ")[-1].strip() for part in line.split(",")}
        assert not constants & imported, path

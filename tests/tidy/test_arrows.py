"""Which part may know which: firmware -> shared_protocol <- ground, and one file that touches the hardware."""

import ast

import pytest

from tests.tidy.sources import imports, python_files, read, top_names

OURS = {"firmware", "shared_protocol", "ground", "hardware_notes", "tests"}
# Hardware of the board: one file reaches for it, all else is handed in. Its file system may be mounted next door.
HARDWARE = {"machine", "onewire", "rp2", "esp32", "neopixel", "network", "umachine"}
FILE_SYSTEM = {"vfs", "uos"}
MAY_PRINT = {"firmware/main.py", "firmware/board.py"}


@pytest.mark.parametrize(
    ("part", "may_know"),
    [
        ("firmware", {"firmware", "shared_protocol"}),
        ("shared_protocol", {"shared_protocol"}),
        ("ground", {"ground", "shared_protocol"}),
        ("hardware_notes", {"hardware_notes", "ground"}),
    ],
)
def test_arrows_point_one_way(part, may_know):
    looked_at = python_files(part)
    assert looked_at
    wrong = {
        str(path): sorted(top_names(path) & OURS - may_know)
        for path in looked_at
        # the runner of the virtual board starts the firmware, in an interpreter of its own
        if not (part == "ground" and path.parts[:3] == ("ground", "simulator", "board"))
    }
    assert {path: names for path, names in wrong.items() if names} == {}


@pytest.mark.parametrize(
    ("folder", "may_know"),
    [
        ("frames", {"frames"}),
        ("salvage", {"salvage", "frames"}),
        ("readings", {"readings", "frames"}),
        ("course", {"course", "readings", "frames"}),
        ("account", {"account", "salvage", "frames"}),
    ],
)
def test_parts_of_the_decoder_know_only_those_before_them(folder, may_know):
    inside = [path for path in python_files("ground") if path.parts[1] == "decode" and len(path.parts) == 4]
    parts = {path.parts[2] for path in inside}
    assert folder in parts
    wrong = {
        (str(path), name)
        for path in inside
        if path.parts[2] == folder
        for name in imports(path)
        for part in parts - may_know
        if name.startswith(f"ground.decode.{part}.")
    }
    assert wrong == set()


def test_virtual_board_starts_the_firmware_in_one_file_only():
    inside = [path for path in python_files("ground") if path.parts[:3] == ("ground", "simulator", "board")]
    assert inside
    assert [str(path) for path in inside if "firmware" in top_names(path)] in ([], ["ground/simulator/board/run.py"])


def test_only_board_py_reaches_for_the_hardware():
    reaching = {str(path) for path in python_files("firmware", "shared_protocol") if top_names(path) & HARDWARE}
    assert reaching == {"firmware/board.py"}
    mounting = {str(path) for path in python_files("firmware", "shared_protocol") if top_names(path) & FILE_SYSTEM}
    assert mounting <= {"firmware/board.py", "firmware/card_storage.py"}


def test_shared_protocol_needs_nothing_but_two_modules():
    """struct and binascii; compat.py may look for micropython, spec.py is a script that runs on the ground."""
    allowed = {"struct", "binascii", "shared_protocol"}
    more = {"shared_protocol/compat.py": {"micropython"}, "shared_protocol/spec.py": {"sys"}}
    wrong = {
        str(path): sorted(top_names(path) - allowed - more.get(str(path), set()))
        for path in python_files("shared_protocol")
    }
    assert {path: names for path, names in wrong.items() if names} == {}


def test_firmware_prints_only_where_it_meets_its_surroundings():
    printing = {
        f"{path}, line {node.lineno}"
        for path in python_files("firmware", "shared_protocol")
        if str(path) not in MAY_PRINT | {"shared_protocol/spec.py"}
        for node in ast.walk(ast.parse(read(path)))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
    }
    assert printing == set()


def test_byte_formats_name_their_byte_order():
    """A struct format without < or > means this machine's order, and the board's may be another."""
    wrong = [
        f"{path}, line {node.lineno}: {node.args[0].value!r}"
        for path in python_files("firmware", "shared_protocol", "ground")
        for node in ast.walk(ast.parse(read(path)))
        if isinstance(node, ast.Call) and node.args and _is_struct_call(node.func)
        and isinstance(node.args[0], ast.Constant) and isinstance(node.args[0].value, str)
        and node.args[0].value[:1] not in ("<", ">")
    ]  # fmt: skip
    assert wrong == []


def _is_struct_call(function):
    names = {"pack", "pack_into", "unpack", "unpack_from", "calcsize", "Struct", "iter_unpack"}
    if isinstance(function, ast.Attribute):
        return isinstance(function.value, ast.Name) and function.value.id == "struct" and function.attr in names
    return False


def test_imports_are_seen_wherever_they_stand(tmp_path):
    """The look-out itself: an import inside a function, and one of several names, are both found."""
    path = tmp_path / "sample.py"
    path.write_text(
        "def f():\n    import machine as m\n\n\nif True:\n    from firmware.core import settings, journal\n"
    )
    assert {"machine", "firmware.core.settings"} <= imports(path)

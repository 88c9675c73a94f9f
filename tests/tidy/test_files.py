"""What every file owes its reader, and what no file may hold."""

import ast
import re
import tomllib

import pytest

from ground import cli
from tests.tidy.sources import ROOT, files, python_files, read, text_files

LINES_MAX = 400
# A path that names one machine's folders. Paths in /dev, /sd, /usr and /etc are the same everywhere.
_MACHINE_PATH = re.compile(
    r"(?<![\w.~)}\]*<>/-])/(?:home|Users|root|work|tmp|mnt|media|opt|private|var/folders)/[\w.-]+"
)
_REGISTRY = re.compile(
    "|".join((r"py" + r"pi\.org", r"pythonhosted\." + "org", r"registry\." + r"npmjs", "deb" + r"\.debian\.org"))
)


def test_no_file_is_longer_than_one_idea():
    long = {str(path): read(path).count("\n") for path in [*python_files(), _launcher()]}
    assert {path: count for path, count in long.items() if count > LINES_MAX} == {}


def _launcher():
    return next(path for path in files() if str(path) == "thistledown")


@pytest.mark.parametrize("part", ["firmware", "shared_protocol", "ground", "hardware_notes", "tests"])
def test_every_module_says_what_it_is(part):
    silent = [
        str(path) for path in python_files(part) if read(path).strip() and not ast.get_docstring(ast.parse(read(path)))
    ]
    assert silent == []


def test_no_file_holds_a_path_of_one_machine():
    found = [f"{path}: {match.group()}" for path in text_files() for match in _MACHINE_PATH.finditer(read(path))]
    assert found == []


def test_look_out_for_machine_paths_sees_one_and_lets_others_pass():
    assert _MACHINE_PATH.search("open('/ho" + "me/someone/card.img')")
    for harmless in (
        "https://example.test/work/index",
        "/dev/mmcblk0",
        "tests/data/root/x",
        "~/work/x",
        "{tmp}/work/a",
    ):
        assert not _MACHINE_PATH.search(harmless)


def test_no_file_names_the_host_of_a_package_registry():
    found = [f"{path}: {match.group()}" for path in text_files() for match in _REGISTRY.finditer(read(path))]
    assert found == []


def test_no_file_hides_text_from_its_reader():
    """Invisible and direction-changing characters make a line read other than it runs."""
    hidden = re.compile("[\u200b-\u200f\u202a-\u202e\u2066-\u2069\ufeff]")
    assert [str(path) for path in text_files() if hidden.search(read(path))] == []


def test_files_that_a_user_looks_for_are_there():
    names = {str(path) for path in files()}
    assert {"README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "thistledown", ".ci/run"} <= names
    assert "MIT License" in read("LICENSE")


def test_programs_can_be_started():
    for name in ("thistledown", ".ci/run"):
        assert (ROOT / name).stat().st_mode & 0o111, f"{name} is not executable"
        assert read(name).startswith("#!/usr/bin/env ")


def test_every_command_is_documented_in_the_readme():
    text = read("README.md")
    offered = [*(info.name or info.callback.__name__ for info in cli.app.registered_commands), "settings"]
    assert len(offered) >= 6
    assert [name for name in offered if f"thistledown {name}" not in text] == []


def test_readme_names_no_command_that_does_not_exist():
    offered = {*(info.name or info.callback.__name__ for info in cli.app.registered_commands), "settings"}
    named = set(re.findall(r"^\s*(?:\$ )?(?:\./|python3 )?thistledown ([a-z]+)", read("README.md"), flags=re.MULTILINE))
    assert named <= offered


def test_changelog_begins_with_this_version():
    from ground.version import __version__

    versions = re.findall(r"^## (\S+)", read("CHANGELOG.md"), flags=re.MULTILINE)
    assert versions[0] == __version__


def test_version_stands_in_one_place():
    assert tomllib.loads(read("pyproject.toml"))["project"]["dynamic"] == ["version"]
    from ground.version import __version__

    others = [
        str(path) for path in python_files("ground", "firmware", "shared_protocol")
        if re.search(rf"version.*['\"]{re.escape(__version__)}['\"]", read(path)) and str(path) != "ground/version.py"
    ]  # fmt: skip
    assert others == []

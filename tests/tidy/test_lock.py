"""The lock: exact, hashed, the same for users and tests, and fitting what the package says it needs."""

import re
import tomllib

import pytest

from tests.tidy.sources import read

LOCKS = ("requirements.txt", "requirements-test.txt")


def pins(lock):
    """{name: set of (version, marker)}: a package may be locked twice, for older and newer Pythons."""
    found = {}
    for line in read(lock).splitlines():
        match = re.match(r"([a-z0-9-]+)==([^ ;]+)(?: ; (.*?))? \\$", line)
        if match:
            found.setdefault(match[1], set()).add((match[2], match[3]))
    return found


def names(requirements):
    return {re.match(r"[A-Za-z0-9-]+", requirement)[0].lower() for requirement in requirements}


@pytest.mark.parametrize("lock", LOCKS)
def test_every_line_is_an_exact_version_with_hashes(lock):
    for entry in re.split(r"\n(?=[a-z])", read(lock).split("\n", 2)[2]):
        first, *hashes = entry.strip().split("\n")
        assert re.match(r"[a-z0-9-]+==\S+( ; .+)? \\$", first), first
        assert hashes
        for line in hashes:
            assert re.fullmatch(r"    --hash=sha256:[0-9a-f]{64}( \\)?", line), line


@pytest.mark.parametrize("lock", LOCKS)
def test_first_lines_say_how_to_make_it_again(lock):
    assert re.match(rf"# .*\n#    uv pip compile pyproject\.toml .*--output-file {lock}\n", read(lock))


def test_tests_run_on_the_very_versions_that_users_get():
    core, everything = pins(LOCKS[0]), pins(LOCKS[1])
    assert len(core) > 20
    assert {name: pin for name, pin in core.items() if everything.get(name) != pin} == {}


def test_everything_that_the_package_asks_for_is_locked():
    project = tomllib.loads(read("pyproject.toml"))["project"]
    assert names(project["dependencies"]) <= set(pins(LOCKS[0]))
    assert names(project["optional-dependencies"]["test"]) <= set(pins(LOCKS[1]))

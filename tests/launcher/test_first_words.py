"""What the launcher says when it cannot even begin: one line each, and nothing left behind."""

import ast
import os
import shutil
import subprocess
import sys
from importlib.machinery import SourceFileLoader
from importlib.util import module_from_spec, spec_from_loader

import pytest

from tests.launcher.project import LAUNCHER, Project, one_line


@pytest.fixture
def project(tmp_path):
    return Project(tmp_path / "folder")


def old_pythons():
    """Old interpreters that happen to be here, by name; an answer that is no version leaves one out."""
    names = ["python2", *(f"python3.{minor}" for minor in range(6, 11))]
    return [name for name in names if shutil.which(name) and _runs(name)]


def _runs(name):
    return subprocess.run([name, "-c", "pass"], capture_output=True).returncode == 0


def test_old_python_is_told_what_is_needed(project):
    line = one_line(project.start("demo", prelude="sys.version_info = (3, 10, 2, 'final', 0)"))
    assert "needs Python 3.11 or newer" in line
    assert "3.10" in line
    assert not project.venv.exists()


@pytest.mark.parametrize("python", old_pythons() or [pytest.param(None, marks=pytest.mark.skip("no old Python here"))])
def test_real_old_python_is_told_what_is_needed(project, python):
    done = subprocess.run([python, str(project.launcher), "demo"], capture_output=True, text=True)
    assert "needs Python 3.11 or newer" in one_line(done)


def test_launcher_has_no_syntax_that_python_3_6_cannot_read():
    ast.parse(LAUNCHER.read_text(encoding="utf-8"), feature_version=(3, 6))
    with pytest.raises(SyntaxError):
        ast.parse("if (now := 1): pass", feature_version=(3, 6))  # the check itself sees newer syntax


@pytest.mark.parametrize("module", ["venv", "ensurepip"])
def test_python_without_venv_is_told_what_to_install(project, module):
    line = one_line(project.start("demo", prelude=f"sys.modules[{module!r}] = None"))
    assert "no venv module" in line
    assert "apt install python3-venv" in line
    assert not project.venv.exists()


@pytest.mark.parametrize("error", ["EROFS", "EACCES"])
def test_folder_that_cannot_be_written_is_named(project, error):
    prelude = (
        "import builtins, errno, os\n"
        "real = builtins.open\n"
        "def refuse(path, mode='r', *rest, **named):\n"
        "    if mode != 'r' and mode != 'rb' and '.venv' in str(path):\n"
        f"        raise OSError(errno.{error}, 'no', str(path))\n"
        "    return real(path, mode, *rest, **named)\n"
        "builtins.open = refuse"
    )
    line = one_line(project.start("demo", prelude=prelude))
    assert f"needs to write in {project.folder}" in line


def test_full_disk_is_named(project):
    prelude = (
        "import errno, os\n"
        "def refuse(path, *rest):\n"
        "    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), path)\n"
        "os.makedirs = refuse"
    )
    assert "No space left on device" in one_line(project.start("demo", prelude=prelude))


def test_lock_that_is_missing_is_named(project):
    (project.folder / "requirements.txt").unlink()
    assert "requirements.txt is missing" in one_line(project.start("demo"))


def test_stop_key_during_set_up_leaves_one_line(project):
    prelude = "import os\ndef stop(*rest):\n    raise KeyboardInterrupt\nos.makedirs = stop"
    assert "the next start does it again" in one_line(project.start("demo", prelude=prelude), status=130)


@pytest.mark.parametrize(
    ("script", "said"),
    [
        ("./thistledown", "./thistledown"),
        ("../box/thistledown", "../box/thistledown"),
        ("thistledown", f"{os.path.basename(sys.executable)} thistledown"),
        ("/on/the/path/thistledown", "thistledown"),
        ("./our box/thistledown", "thistledown"),
    ],
)
def test_a_next_step_is_named_as_the_user_has_to_type_it(script, said, monkeypatch):
    monkeypatch.setenv("PATH", os.pathsep.join(["/usr/bin", "/on/the/path"]))
    loader = SourceFileLoader("launcher", str(LAUNCHER))
    launcher = module_from_spec(spec_from_loader("launcher", loader))
    loader.exec_module(launcher)
    assert launcher.called_as(script) == said

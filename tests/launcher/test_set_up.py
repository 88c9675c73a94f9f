"""The launcher's set-up with real environments and a real pip, from a folder of tiny wheels."""

import json
import os
import signal
import socket
import subprocess
import sys
import venv

import pytest

from tests.launcher.project import Project, one_line


def answer(done):
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


@pytest.fixture
def project(tmp_path):
    return Project(tmp_path / "a folder")


@pytest.fixture(scope="module")
def ready(tmp_path_factory):
    """A project that is set up; its tests leave it so."""
    project = Project(tmp_path_factory.mktemp("ready") / "a folder")
    project.first = project.start("demo", "--one", "two words")
    assert project.first.returncode == 0, project.first.stderr
    return project


def test_first_start_sets_up_and_hands_the_arguments_over(ready):
    assert "Setting up, once" in ready.first.stderr
    assert "MB" in ready.first.stderr
    handed = answer(ready.first)
    assert handed["arguments"] == ["demo", "--one", "two words"]
    assert handed["have"] == {"feather": "1.0"}


def test_second_start_is_silent_and_needs_no_pip(ready):
    done = ready.start("demo", PIP_FIND_LINKS="", PATH="")
    assert done.stderr == ""
    assert answer(done)["have"] == {"feather": "1.0"}


def test_start_from_elsewhere_keeps_the_callers_folder(ready, tmp_path):
    (tmp_path / "ground").mkdir()
    (tmp_path / "ground" / "__main__.py").write_text("raise SystemExit('the wrong ground')")
    handed = answer(ready.start("demo", cwd=tmp_path))
    assert handed["cwd"] == str(tmp_path)
    assert handed["from"] == str(ready.folder / "ground" / "__main__.py")


def test_start_through_a_link_finds_the_project(ready, tmp_path):
    (tmp_path / "td").symlink_to(ready.launcher)
    done = subprocess.run(
        [sys.executable, str(tmp_path / "td")], env=ready.environment(), capture_output=True, text=True
    )
    assert answer(done)["from"] == str(ready.folder / "ground" / "__main__.py")


def test_exit_status_of_the_command_is_the_launchers(ready):
    assert ready.start("seven").returncode == 7


def test_stray_python_settings_of_the_caller_do_no_harm(ready, tmp_path):
    (tmp_path / "feather.py").write_text("VERSION = 'stray'")
    prelude = f"import os\nos.environ['PYTHONHOME'] = {str(tmp_path)!r}"  # from outside it would stop any Python at all
    done = ready.start(prelude=prelude, PYTHONPATH=str(tmp_path))
    assert answer(done)["have"] == {"feather": "1.0"}


def test_old_python_still_starts_what_is_set_up(ready):
    prelude = "sys.version_info = (3, 8, 1, 'final', 0)"
    assert answer(ready.start("demo", prelude=prelude))["arguments"] == ["demo"]


def test_test_command_installs_the_test_lock_and_a_changed_lock_is_followed(project):
    assert answer(project.start("demo"))["have"] == {"feather": "1.0"}
    tests = project.start("--debug", "test", "-k", "x")
    assert "the tests need more packages" in tests.stderr
    assert answer(tests)["have"] == {"feather": "1.0", "seedhead": "1.0"}
    assert project.start("demo").stderr == ""
    project.lock("2.0")
    changed = project.start("demo")
    assert "the list of packages has changed" in changed.stderr
    assert answer(changed)["have"] == {"feather": "2.0", "seedhead": "1.0"}
    assert answer(project.start("test"))["have"] == {"feather": "2.0", "seedhead": "2.0"}


def test_users_pip_settings_do_not_break_the_set_up(project, tmp_path):
    (tmp_path / "limits.txt").write_text("feather==9.9\n")
    config = tmp_path / "home" / ".config" / "pip" / "pip.conf"
    config.parent.mkdir(parents=True)
    config.write_text(
        f"[global]\nno-index = true\nfind-links = {project.wheels.as_uri()}\n"
        f"constraint = {tmp_path / 'limits.txt'}\n[install]\nuser = true\nno-binary = :all:\n"
    )
    handed = project.start(
        HOME=str(tmp_path / "home"), PIP_CONFIG_FILE="", PIP_FIND_LINKS="", PIP_NO_INDEX="", PIP_DRY_RUN="1",
        PIP_TARGET=str(tmp_path / "elsewhere"), PIP_PREFIX=str(tmp_path / "elsewhere"),
    )  # fmt: skip
    assert answer(handed)["have"] == {"feather": "1.0"}
    assert not (tmp_path / "elsewhere").exists()


def test_without_a_network_one_line_says_so_and_the_next_start_succeeds(project):
    offline = {"PIP_NO_INDEX": "", "PIP_FIND_LINKS": "", "PIP_RETRIES": "1"}
    with socket.socket() as closed:  # bound and not listening: every connection is refused
        closed.bind(("127.0.0.1", 0))
        index = f"http://127.0.0.1:{closed.getsockname()[1]}/simple"
        line = one_line(project.start("demo", PIP_INDEX_URL=index, **offline))
    assert "go online and start again" in line
    assert str(project.venv / "setup.log") in line
    again = project.start("demo")
    assert "Setting up, once" in again.stderr
    assert answer(again)["have"] == {"feather": "1.0"}


def test_set_up_that_was_killed_is_done_again(project):
    with socket.socket() as silent:  # takes the connection and never answers, so pip is caught in mid-work
        silent.bind(("127.0.0.1", 0))
        silent.listen()
        index = f"http://127.0.0.1:{silent.getsockname()[1]}/simple"
        start = subprocess.Popen(
            project.command("demo"), env=project.environment(PIP_NO_INDEX="", PIP_FIND_LINKS="", PIP_INDEX_URL=index),
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True,
        )  # fmt: skip
        silent.settimeout(60)
        connection, _ = silent.accept()
        os.killpg(start.pid, signal.SIGKILL)
        start.wait()
        connection.close()
    leftover = project.venv / "leftover"
    leftover.write_text("of the set-up that was killed")
    assert answer(project.start("demo"))["have"] == {"feather": "1.0"}
    assert not leftover.exists()


def test_two_starts_at_once_set_up_once(project):
    starts = [
        subprocess.Popen(
            project.command("demo"),
            env=project.environment(),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for _ in range(2)
    ]
    said = [start.communicate(timeout=120) for start in starts]
    assert [start.returncode for start in starts] == [0, 0], said
    assert all(json.loads(out)["have"] == {"feather": "1.0"} for out, _ in said)
    assert sum("Set-up done" in err for _, err in said) == 1


def test_moved_project_is_set_up_again_and_its_old_place_left_alone(project, tmp_path):
    project.start("demo")
    moved = project.folder.rename(tmp_path / "elsewhere")
    project.folder = moved
    done = project.start("demo")
    assert "Setting up, once" in done.stderr
    assert answer(done)["have"] == {"feather": "1.0"}
    assert not (tmp_path / "a folder").exists()


def test_environment_made_by_somebody_else_is_used_and_kept(project):
    venv.create(project.venv, with_pip=True)
    (project.venv / "mine").write_text("keep me")
    one_line(project.start("demo", PIP_FIND_LINKS=""))  # a set-up that fails does not make it ours
    done = project.start("demo")
    assert "using the .venv that is already there" in done.stderr
    assert answer(done)["have"] == {"feather": "1.0"}
    project.lock("2.0")
    assert answer(project.start("demo"))["have"] == {"feather": "2.0"}
    assert (project.venv / "mine").read_text() == "keep me"


def test_environment_of_somebody_else_that_cannot_serve_is_named_and_kept(project):
    project.venv.mkdir()
    (project.venv / "mine").write_text("keep me")
    line = one_line(project.start("demo"))
    assert f"{project.venv} was not made by this program" in line
    assert (project.venv / "mine").exists()


def test_package_that_is_not_the_locked_one_is_refused(project):
    project.lock("1.0", digest="0" * 64)
    assert "not the one in the lock" in one_line(project.start("demo"))


def test_package_that_is_not_made_for_this_computer_is_named_in_the_log(project):
    project.lock("2.0")  # leaves a wheel of 2.0 beside the one of 1.0
    project.lock("1.0")
    (project.wheels / "feather-1.0-py3-none-any.whl").unlink()
    assert "not to be had" in one_line(project.start("demo"))
    assert "feather" in (project.venv / "setup.log").read_text()

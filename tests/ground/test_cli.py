"""The command line: what is offered, and that every ending is one clear line with the right status."""

import errno
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from ground import cli
from ground.commands.demo import NOTE_NAME
from ground.errors import InputError
from ground.settings import Settings, default_text

ROOT = Path(__file__).parents[2]
COMMANDS = ("demo", "fly", "decode", "report", "test", "settings init", "settings check")


def one_line(capsys, arguments, status=1):
    """The one line on stderr with which a command ends."""
    assert cli.run(list(arguments)) == status
    said = capsys.readouterr()
    assert said.err.startswith("thistledown: ")
    assert said.err.count("\n") == 1
    return said.err


def python(code, cwd=None, **settings):
    """Run code in a Python of its own that finds the project wherever it runs."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "80", **settings}
    return subprocess.run([sys.executable, "-c", code], env=environment, cwd=cwd, capture_output=True, text=True)


# What is offered -------------------------------------------------------------------------------------------------


def test_help_lists_every_command_and_ends_with_zero(capsys):
    assert cli.run(["--help"]) == 0
    shown = capsys.readouterr().out
    for command in COMMANDS:
        assert f"\n  {command.split()[0]} " in shown


@pytest.mark.parametrize("command", COMMANDS)
def test_help_of_each_command_shows_an_example_of_that_command(command, capsys):
    assert cli.run([*command.split(), "--help"]) == 0
    shown = capsys.readouterr().out
    assert "Example:\n" in shown
    assert f"\n    thistledown {command}" in shown


@pytest.mark.parametrize("command", COMMANDS)
def test_example_of_each_command_is_understood_by_the_command_line(command, capsys, monkeypatch):
    """The words of the example go through the real parser, with the work itself taken out."""
    cli.run([*command.split(), "--help"])
    example = capsys.readouterr().out.split("Example:\n")[1].splitlines()[0].split()[1:]
    understood = []
    monkeypatch.setattr("typer.core.TyperCommand.invoke", lambda _, context: understood.append(context.command_path))
    assert cli.run(example) == 0
    assert understood == [f"thistledown {command}"]


def test_help_cuts_no_sentence_about_a_command_short(capsys):
    cli.run(["--help"])
    said = capsys.readouterr().out
    assert "..." not in said.replace("[ARGS]...", "") and "GO or NO-GO." in said


def test_without_a_command_the_help_is_shown_and_the_status_is_wrong_usage(capsys):
    assert cli.run([]) == 2
    assert "Commands:" in capsys.readouterr().out


def test_version_is_the_one_of_the_package(capsys):
    assert cli.run(["--version"]) == 0
    assert capsys.readouterr().out.startswith("thistledown 0.")


@pytest.mark.parametrize("arguments", [["--help"], ["report", "--help"], ["decode", "nowhere", "-o", "new"]])
def test_quick_answers_do_not_wait_for_the_large_libraries(arguments):
    done = python(
        f"import sys\nfrom ground.cli import run\nrun({arguments!r})\n"
        "print('loaded:', sorted({'pandas', 'pvlib', 'altair', 'scipy', 'vl_convert', 'rich'} & set(sys.modules)))"
    )
    assert done.stdout.splitlines()[-1] == "loaded: []", done.stderr


# Wrong usage -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "arguments",
    [
        ["flyy"],
        ["fly"],
        ["fly", "calm", "--speed", "3"],
        ["fly", "calm", "--seed", "many"],
        ["fly", "calm", "--runtime", "other"],
        ["decode", "card.img"],
        ["decode", "card.img", "-o", "x", "--format", "xls"],
        ["report", "a", "b"],
        ["settings", "change"],
    ],
)
def test_wrong_usage_is_one_line_that_names_the_help_and_ends_with_two(arguments, capsys):
    line = one_line(capsys, arguments, status=2)
    assert "--help`" in line
    assert "Value error" not in line and "parse string" not in line


def test_file_whose_name_begins_with_a_dash_is_told_how_to_be_given(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("-card.img").write_bytes(b"anything")
    assert cli.run(["decode", "-card.img", "-o", "out"]) == 2
    assert "given as ./-card.img" in capsys.readouterr().err


@pytest.mark.parametrize("seed", ["-1", str(2**63)])
def test_a_seed_beyond_its_range_is_wrong_usage_and_leaves_no_folder(tmp_path, seed, capsys):
    line = one_line(capsys, ["fly", "calm", "--seed", seed, "-o", str(tmp_path / "new")], status=2)
    assert "--seed" in line and seed in line and str(2**63 - 1) in line
    assert not (tmp_path / "new").exists()


# Errors about the input ------------------------------------------------------------------------------------------


def test_missing_flight_folder_is_one_line(tmp_path, capsys):
    assert "no such flight folder" in one_line(capsys, ["report", str(tmp_path / "nowhere")])
    (tmp_path / "a.txt").write_text("no folder")
    assert "is a file; give the flight folder" in one_line(capsys, ["report", str(tmp_path / "a.txt")])


def test_scenario_that_does_not_exist_leaves_no_folder_behind(tmp_path, capsys):
    one_line(capsys, ["fly", "nowhere", "-o", str(tmp_path / "new")])
    assert not (tmp_path / "new").exists()


def test_scenario_with_a_misspelt_key_is_named(tmp_path, capsys):
    text = (ROOT / "ground/simulator/scenarios/calm.toml").read_text(encoding="utf-8")
    path = tmp_path / "mine.toml"
    path.write_text(text.replace("free_lift_kg", "free_lift_kgs"), encoding="utf-8")
    line = one_line(capsys, ["fly", str(path), "-o", str(tmp_path / "new")])
    assert "free_lift_kgs" in line
    assert "did you mean" in line


@pytest.mark.parametrize("content", [b"", b"\xff\xd8\xff\xe0\x00\x10JFIF" + bytes(600), b"just words\n" * 200])
def test_source_without_a_log_is_refused_and_nothing_is_written(tmp_path, content, capsys):
    (tmp_path / "source").write_bytes(content)
    one_line(capsys, ["decode", str(tmp_path / "source"), "-o", str(tmp_path / "out")])
    assert not (tmp_path / "out").exists()


def test_folder_that_holds_something_is_refused_by_fly_and_stays_as_it_is(tmp_path, capsys):
    (tmp_path / "letter.txt").write_text("dear")
    line = one_line(capsys, ["fly", "calm", "-o", str(tmp_path)])
    assert "letter.txt" in line
    assert "--force" in line
    assert [entry.name for entry in tmp_path.iterdir()] == ["letter.txt"]


@pytest.mark.parametrize("option", ["--sounding", "--gnss-stream"])
def test_input_of_a_flight_that_cannot_be_read_leaves_no_folder_behind(tmp_path, option, capsys):
    line = one_line(capsys, ["fly", "calm", option, str(tmp_path / "nowhere"), "-o", str(tmp_path / "new")])
    assert str(tmp_path / "nowhere") in line
    assert not (tmp_path / "new").exists()


def test_file_in_place_of_the_output_folder_is_refused(tmp_path, capsys):
    (tmp_path / "out").write_text("")
    assert "is a file" in one_line(capsys, ["fly", "calm", "-o", str(tmp_path / "out"), "--force"])


# Other endings ---------------------------------------------------------------------------------------------------


def failing(monkeypatch, error):
    """Let `report` end with this error."""

    def fail(*_, **__):
        raise error

    monkeypatch.setattr("ground.report.build_report", fail)


def test_output_folder_that_cannot_be_made_is_no_fault_of_the_program(tmp_path, capsys):
    (tmp_path / "file").write_text("mine")
    assert cli.run(["fly", "calm", "-o", str(tmp_path / "file" / "flight")]) == 1
    said = capsys.readouterr().err
    assert "cannot be made" in said and "name another folder" in said and said.count("\n") == 1


def test_error_about_the_input_is_printed_as_it_stands(monkeypatch, capsys):
    failing(monkeypatch, InputError("card.img, byte 7: no log; copy it again"))
    assert one_line(capsys, ["report", "x"]) == "thistledown: card.img, byte 7: no log; copy it again\n"


def test_stop_key_is_one_line_and_status_130(monkeypatch, capsys):
    failing(monkeypatch, KeyboardInterrupt())
    assert "stopped" in one_line(capsys, ["report", "x"], status=130)


def test_full_disk_is_no_fault_of_the_program(monkeypatch, capsys):
    failing(monkeypatch, OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), "flights/x"))
    line = one_line(capsys, ["report", "x"])
    assert line.startswith("thistledown: flights/x: No space left on device")
    assert "fault" not in line


def test_fault_of_the_program_is_one_line_that_says_so(monkeypatch, capsys):
    failing(monkeypatch, ZeroDivisionError("line one\nline two"))
    line = one_line(capsys, ["report", "x"])
    assert "a fault of the program, not of your input: ZeroDivisionError: line one line two" in line
    assert "--debug" in line


def test_fault_of_the_program_with_debug_shows_where(monkeypatch, capsys):
    failing(monkeypatch, ZeroDivisionError("oh"))
    assert cli.run(["--debug", "report", "x"]) == 1
    said = capsys.readouterr().err
    assert "Traceback" in said
    assert said.splitlines()[-1].startswith("thistledown: a fault of the program")


def test_process_ends_with_the_status_of_the_command():
    done = subprocess.run(
        [sys.executable, "-m", "ground", "report", "nowhere"], cwd=ROOT, capture_output=True, text=True
    )
    assert done.returncode == 1
    assert "Traceback" not in done.stderr


def test_process_ends_at_once_but_does_what_has_to_be_done_at_the_end():
    code = (
        "import atexit, sys; atexit.register(print, 'done at the end'); sys.argv = ['thistledown', '--version']; "
        "from ground.cli import main; main()"
    )
    done = python(code)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.splitlines()[1:] == ["done at the end"]


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="a device that is always full, which only Linux has")
def test_answer_that_cannot_be_written_is_no_success():
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "ground", "--version"], cwd=ROOT, stdout=full, stderr=subprocess.PIPE, text=True
        )
    assert done.returncode != 0
    assert "No space left" in done.stderr


@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="needs a system with signals")
@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP"])
def test_process_that_is_told_to_end_clears_away_what_it_began(tmp_path, name):
    code = (
        "import signal, sys, time; from pathlib import Path; from ground import cli\n"
        "from ground.decode import writing\n"
        f"signal.signal(signal.{name}, signal.SIG_DFL)\n"  # which who started this may have had ignored
        "def slow(args, **_more):\n"
        "    with writing.FolderWriter(Path(args[0]), 'parquet') as writer:\n"
        "        writer.add([]); print('begun', flush=True); time.sleep(60)\n"
        "cli.app = slow\n"
        f"sys.argv = ['thistledown', {str(tmp_path / 'flights' / 'x')!r}]; cli.main()"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert process.stdout.readline() == "begun\n"
    assert os.listdir(tmp_path) == ["flights"]
    process.send_signal(getattr(signal, name))
    assert process.communicate(timeout=30)[1] == "thistledown: stopped.\n"
    assert (process.returncode, os.listdir(tmp_path)) == (130, [])


def test_empty_name_of_the_flight_folder_is_wrong_usage(capsys):
    assert "the name of the flight folder is empty" in one_line(capsys, ["decode", "card.img", "-o", ""], status=2)


def test_sign_that_the_terminal_cannot_show_does_not_stop_the_command(tmp_path):
    code = "import sys; from ground.cli import run; sys.exit(run(['settings', 'init', 'at -50\u00b0.toml']))"
    done = python(code, cwd=tmp_path, PYTHONIOENCODING="ascii", PYTHONUTF8="0")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("Wrote at -50?.toml")


# test, demo, settings --------------------------------------------------------------------------------------------


def test_test_hands_further_words_to_pytest_and_its_status_back(monkeypatch):
    called = []
    monkeypatch.setattr("subprocess.call", lambda command, cwd: called.append((command, cwd)) or 5)
    assert cli.run(["test", "tests/ground", "-k", "decode", "--lf"]) == 5
    assert called == [([sys.executable, "-m", "pytest", "tests/ground", "-k", "decode", "--lf"], ROOT)]


@pytest.fixture
def quick_demo(monkeypatch):
    """The demo with its four steps replaced by ones that only say in which order they were called."""
    calls = []
    monkeypatch.setattr("ground.simulator.flight.fly", lambda scenario, out, **_: calls.append(("fly", out)))
    monkeypatch.setattr("ground.decode.decode", lambda source, out, **_: calls.append(("decode", source, out)))
    monkeypatch.setattr("ground.report.build_report", lambda out, **_: calls.append(("report", out)))
    monkeypatch.setattr("ground.summary.summarise", lambda out: calls.append(("summary", out)) or "all of it")
    return calls


def test_demo_flies_decodes_reports_and_sums_up(quick_demo, tmp_path, capsys):
    out = tmp_path / "new"
    assert cli.run(["demo", "-o", str(out)]) == 0
    assert quick_demo == [("fly", out), ("decode", [out / "card.img"], out), ("report", out), ("summary", out)]
    assert capsys.readouterr().out == "all of it\n"


def test_demo_writes_over_its_own_folder(quick_demo, tmp_path):
    assert cli.run(["demo", "-o", str(tmp_path / "new")]) == 0
    (tmp_path / "new" / "card.img").write_text("")
    assert cli.run(["demo", "-o", str(tmp_path / "new")]) == 0
    assert len(quick_demo) == 8


def test_stop_key_in_the_demo_takes_a_new_folder_away_and_leaves_an_old_one(quick_demo, tmp_path, monkeypatch, capsys):
    def stop(out, **_):
        raise KeyboardInterrupt

    assert cli.run(["demo", "-o", str(tmp_path / "old")]) == 0
    monkeypatch.setattr("ground.report.build_report", stop)
    for name in ("old", "new"):
        capsys.readouterr()
        assert "stopped" in one_line(capsys, ["demo", "-o", str(tmp_path / name)], status=130)
    assert [entry.name for entry in tmp_path.iterdir()] == ["old"]


def test_demo_does_not_write_over_a_flight_that_is_not_its_own(quick_demo, tmp_path, capsys):
    (tmp_path / "card.img").write_text("a real flight")
    assert "card.img" in one_line(capsys, ["demo", "-o", str(tmp_path)])
    assert quick_demo == []
    assert not (tmp_path / NOTE_NAME).exists()


def test_settings_go_from_the_commented_file_to_the_boards_json(tmp_path, capsys):
    toml, json = tmp_path / "mine.toml", tmp_path / "settings.json"
    assert cli.run(["settings", "init", str(toml)]) == 0
    toml.write_text(toml.read_text(encoding="utf-8").replace("led_pin = 25", "led_pin = 2"), encoding="utf-8")
    assert cli.run(["settings", "check", str(toml), "--json", str(json)]) == 0
    assert "led_pin = 2 (default 25)" in capsys.readouterr().out
    assert '"led_pin": 2' in json.read_text(encoding="utf-8")


def test_settings_without_a_contact_are_accepted_with_a_warning(tmp_path, capsys):
    toml = tmp_path / "mine.toml"
    toml.write_text("led_pin = 2\n")
    assert cli.run(["settings", "check", str(toml)]) == 0
    said = capsys.readouterr().out
    assert "whom to call" in said and f"Next: thistledown install --port PORT --settings {toml}" in said
    toml.write_text('contact = "the club, 0000 1234"\n')
    assert cli.run(["settings", "check", str(toml)]) == 0
    assert "whom to call" not in capsys.readouterr().out


@pytest.mark.parametrize(
    ("text", "said"), [("", "holds no setting"), ("# later\n", "holds no setting"), (None, "is yours")]
)
def test_settings_that_are_all_at_their_default_are_not_called_good_but_told_what_only_the_team_knows(
    text, said, tmp_path, capsys
):
    toml = tmp_path / "mine.toml"
    toml.write_text(default_text() if text is None else text, encoding="utf-8")
    assert cli.run(["settings", "check", str(toml)]) == 0
    out = capsys.readouterr().out
    assert said in out and "every setting is at its default" in out and "good" not in out
    for key in ("contact", "probe_outside_rom", "panel_shunt_microohm", "battery_full_scale_mv"):
        assert f"\n  {key} = {Settings.model_fields[key].default!r}".replace("'", '"') in out


def test_one_setting_that_differs_is_counted_as_one_and_the_next_step_is_named(tmp_path, capsys):
    toml = tmp_path / "mine.toml"
    toml.write_text("led_pin = 2\n")
    assert cli.run(["settings", "check", str(toml)]) == 0
    out = capsys.readouterr().out
    assert "1 differs from the default" in out and "only you can know" not in out
    assert f"install --port PORT --settings {toml}" in out


def test_settings_commands_write_over_nothing_without_force(tmp_path, capsys):
    toml, json = tmp_path / "mine.toml", tmp_path / "settings.json"
    toml.write_text("led_pin = 2\n")
    json.write_text("{}")
    assert "--force" in one_line(capsys, ["settings", "init", str(toml)])
    assert "--force" in one_line(capsys, ["settings", "check", str(toml), "--json", str(json)])
    assert (toml.read_text(), json.read_text()) == ("led_pin = 2\n", "{}")
    assert "no folder" in one_line(capsys, ["settings", "init", str(tmp_path / "nowhere" / "mine.toml")])
    assert "is a folder" in one_line(capsys, ["settings", "init", str(tmp_path), "--force"])
    assert cli.run(["settings", "check", str(toml), "--json", str(json), "--force"]) == 0
    assert json.read_text() != "{}"

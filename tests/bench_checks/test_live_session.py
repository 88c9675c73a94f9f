"""Whole bench sessions on simulated boards, through real pseudo-terminals and the link: a healthy one, and faults.

The board runs so many times faster than a real one. `python -m tests.bench.bench_faults --live` does it with all
faults.
"""

import json
import os
import pty
import re
import select
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from ground.bench.finding import NO_GO, NOT_CHECKED, WARNING
from ground.bench.judge import judge
from tests.bench_checks.bench_runs import Run, run_live
from tests.bench_checks.fault_table import OVER_THE_LINE, faults, problem
from tests.tidy.sources import ROOT

SPEED = 20.0
BOARDS = 4  # at a time
TABLE = {fault.title: fault for fault in faults() if fault.title in OVER_THE_LINE}


@pytest.fixture(scope="module")
def healthy():
    return run_live(Run(), SPEED)


def test_healthy_board_is_go(healthy):
    judgement = judge(healthy)
    assert judgement.of(NO_GO, WARNING) == []
    assert [one.name for one in judgement.of(NOT_CHECKED)] == ["clock against this computer"]


def test_board_was_asked_what_only_it_can_find_out(healthy):
    assert {"introduce", "card_test", "memory", "airborne"} <= set(healthy.replies)
    assert healthy.replies["card_test"]["sectors_good"] == healthy.replies["card_test"]["sectors"] > 0
    card = next(one for one in judge(healthy).findings if one.name == "card write and read-back")
    assert f"{healthy.replies['card_test']['sectors_good']} more read back the same" in card.measured
    assert healthy.statistics["records"] > 1000 and healthy.statistics["records_missing"] == 0


@pytest.fixture(scope="module")
def sessions():
    """One session for each fault, some boards side by side: most of a session is waiting."""
    with ThreadPoolExecutor(BOARDS) as pool:
        running = {title: pool.submit(run_live, fault.run, SPEED) for title, fault in TABLE.items()}
        return {title: future.result() for title, future in running.items()}


@pytest.mark.parametrize("fault", TABLE.values(), ids=TABLE)
def test_fault_is_named_over_the_line_and_no_other_is(fault, sessions):
    evidence = sessions[fault.title]
    assert problem(fault, judge(fault.after(evidence) if fault.after else evidence)) == ""


def test_twenty_faults_and_more_are_tried_over_the_line():
    assert len(TABLE) == len(OVER_THE_LINE) >= 20


def _bench(folder, *words):
    environment = os.environ | {"PYTHONPATH": str(ROOT), "TERM": "xterm", "COLUMNS": "110", "LINES": "50"}
    command = [sys.executable, "-m", "ground", "bench", "--port", "sim", "--speed", "20", "--seconds", "60",
               "-o", str(folder), *words]  # fmt: skip
    return command, environment


def test_check_from_the_command_line_ends_0_with_a_record(tmp_path):
    command, environment = _bench(tmp_path, "--check", "--indoors")
    done = subprocess.run(command, env=environment, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "GO: " in done.stdout and "NO-GO" not in done.stdout
    record = json.loads((tmp_path / "bench.json").read_text(encoding="utf-8"))
    assert record["verdict"] == "GO" and record["board"]["simulated"] and len(record["board"]["id"]) == 16
    assert (tmp_path / "bench.html").exists()


def test_live_view_in_a_terminal_asks_shows_and_ends_1_on_no_go(tmp_path):
    """Somebody at a terminal answers the questions, hears no sounder, and watches."""
    command, environment = _bench(tmp_path, "--indoors")
    ours, theirs = pty.openpty()
    process = subprocess.Popen(command, env=environment, stdin=theirs, stdout=theirs, stderr=theirs, close_fds=True)
    os.close(theirs)
    answers = {"Air pressure": "\n", "QNH of": "\n", "across the load": "\n", "in series": "\n", "at the battery": "\n",
               "Did you hear it": "n\n", "Did you see it": "y\n", "two fingers": "n\n"}  # fmt: skip
    shown = _type_answers(process, ours, answers)
    assert process.wait(timeout=60) == 1, shown
    os.close(ours)
    assert answers == {}, "every question was asked once"
    plain = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", shown)
    assert re.search(r"Bench, \d+ s to go", plain) and "panel volts" in plain and "trend" in plain
    assert "NO-GO  sounder" in plain and "What to do: Check its wire to GPIO 15" in plain
    assert json.loads((tmp_path / "bench.json").read_text(encoding="utf-8"))["verdict"] == "NO-GO"


def _type_answers(process, terminal, answers):
    """Everything the terminal showed until the process ended; answers are typed where their question comes."""
    shown, seen = "", 0
    until = time.monotonic() + 100
    while time.monotonic() < until:
        ready, _, _ = select.select([terminal], [], [], 0.2)
        if ready:
            try:
                data = os.read(terminal, 65536)
            except OSError:  # the other end is closed
                break
            if not data:
                break
            shown += data.decode("utf-8", "replace")
        elif process.poll() is not None:
            break
        for question in [one for one in answers if one in shown[seen:]]:
            os.write(terminal, answers.pop(question).encode())
            seen = len(shown)
    return shown

"""Whole bench sessions on simulated boards, through real pseudo-terminals and the link: a healthy one, and faults.

The board runs so many times faster than a real one. `python -m tests.bench.bench_faults --live` does it with all
faults.
"""

import json
import os
import pty
import re
import select
import signal
import subprocess
import sys
import time
import urllib.request
from concurrent.futures import ThreadPoolExecutor

import pytest

from ground.bench.finding import NO_GO, NOT_CHECKED, WARNING
from ground.bench.judge import judge
from ground.simulator.interpreter import find_interpreter
from tests.bench_checks.bench_runs import Run, run_live
from tests.bench_checks.fault_table import OVER_THE_LINE, faults, live_s, problem
from tests.tidy.sources import ROOT

pytestmark = pytest.mark.skipif(
    find_interpreter().name != "micropython",
    reason="the simulated board needs MicroPython, which is not to be had here",
)
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
    assert {"introduce", "card_test", "memory", "airborne", "bus_scan"} <= set(healthy.replies)
    assert healthy.replies["card_test"]["sectors_good"] == healthy.replies["card_test"]["sectors"] > 0
    card = next(one for one in judge(healthy).findings if one.name == "card write and read-back")
    assert f"{healthy.replies['card_test']['sectors_good']} more read back the same" in card.measured
    assert healthy.statistics["records"] > 1000 and healthy.statistics["records_missing"] == 0


@pytest.fixture(scope="module")
def sessions():
    """One session for each fault, some boards side by side: most of a session is waiting."""
    with ThreadPoolExecutor(BOARDS) as pool:
        running = {title: pool.submit(run_live, fault.run, SPEED, live_s(fault)) for title, fault in TABLE.items()}
        return {title: future.result() for title, future in running.items()}


@pytest.mark.parametrize("fault", TABLE.values(), ids=TABLE)
def test_fault_is_named_over_the_line_and_no_other_is(fault, sessions):
    evidence = sessions[fault.title]
    assert problem(fault, judge(fault.after(evidence) if fault.after else evidence)) == ""


def test_twenty_faults_and_more_are_tried_over_the_line():
    assert len(TABLE) == len(OVER_THE_LINE) >= 20


_NOT_REACHED = re.compile("no board answers|did not start|does not answer as|did not come back|went away")


def _again_if_not_reached(attempt):
    """On a machine that has too much to do a board may be too slow to be reached; that is not what is tried here."""
    for _ in range(3):
        shown, result = attempt()
        if not _NOT_REACHED.search(shown):
            break
    return shown, result


def _bench(folder, *words):
    environment = os.environ | {"PYTHONPATH": str(ROOT), "TERM": "xterm", "COLUMNS": "110", "LINES": "50"}
    command = [sys.executable, "-m", "ground", "bench", "--port", "sim", "--speed", "20", "--seconds", "60",
               "-o", str(folder), *words]  # fmt: skip
    return command, environment


def test_check_from_the_command_line_ends_0_with_a_record(tmp_path):
    command, environment = _bench(
        tmp_path, "--check", "--indoors", "--station-pressure", "967.6+-0.4", "--calibrate", "pressure"
    )

    def attempt():
        done = subprocess.run(command, env=environment, capture_output=True, text=True, timeout=120)
        return done.stderr, done

    _, done = _again_if_not_reached(attempt)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "GO: " in done.stdout and "NO-GO" not in done.stdout
    record = json.loads((tmp_path / "bench.json").read_text(encoding="utf-8"))
    assert record["verdict"] == "GO" and record["board"]["simulated"] and len(record["board"]["id"]) == 16
    assert (tmp_path / "bench.html").exists()
    point = record["calibration_points"][0]
    assert (point["quantity"], point["reference"]) == ("pressure", 967.6) and 0.4 <= point["uncertainty"] < 0.5
    assert "Calibration kept: barometer" in done.stdout


def test_live_view_in_a_terminal_asks_shows_and_ends_1_on_no_go(tmp_path):
    """Somebody at a terminal answers the questions, hears no sounder, and watches."""
    command, environment = _bench(tmp_path, "--indoors")

    def attempt():
        skipped = ("Air pressure", "QNH of", "across the load", "in series", "at the battery", "switched off")
        answers = dict.fromkeys(skipped, "\n")
        answers |= {"Did you hear it": "n\n", "Did you see it": "y\n", "side by side": "y\n", "two fingers": "n\n"}
        ours, theirs = pty.openpty()
        process = subprocess.Popen(command, env=environment, stdin=theirs, stdout=theirs, stderr=theirs)
        os.close(theirs)
        shown = _type_answers(process, ours, answers)
        status = process.wait(timeout=60)
        os.close(ours)
        return shown, (status, answers)

    shown, (status, not_asked) = _again_if_not_reached(attempt)
    assert status == 1 and not_asked == {}, shown
    plain = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", shown)
    assert re.search(r"Bench, simulated board, \d+ s to go", plain) and "panel volts" in plain and "trend" in plain
    assert "NO-GO  sounder" in plain and "What to do: Check its wire to GPIO 15" in plain
    assert json.loads((tmp_path / "bench.json").read_text(encoding="utf-8"))["verdict"] == "NO-GO"


def test_page_is_served_beside_the_view_and_the_stop_key_ends_it_with_a_verdict(tmp_path):
    command, environment = _bench(tmp_path, "--indoors", "--web", "--seconds", "3600")

    def attempt():
        ours, theirs = pty.openpty()
        process = subprocess.Popen(
            command, env=environment, stdin=subprocess.DEVNULL, stdout=theirs, stderr=theirs, start_new_session=True,
            preexec_fn=_heed_the_stop_key,
        )  # fmt: skip
        os.close(theirs)
        page = []

        def look(shown):
            found = re.search(r"http://127\.0\.0\.1:\d+/", shown)
            if found and "panel volts" in shown and not page:
                with urllib.request.urlopen(found[0], timeout=10) as answer:
                    page.append(answer.read().decode())
                time.sleep(1.0)
                process.send_signal(signal.SIGINT)

        shown = _type_answers(process, ours, {}, look)
        status = process.wait(timeout=60)
        os.close(ours)
        return shown, (status, page)

    shown, (status, page) = _again_if_not_reached(attempt)
    assert status in (0, 1), shown
    assert 'id="readings"' in page[0]
    assert "Stopped early" in shown and "GO: " in shown
    assert (tmp_path / "bench.json").exists()


def _heed_the_stop_key():
    """Also where the tests themselves were begun in the background, and are not to mind it."""
    signal.signal(signal.SIGINT, signal.default_int_handler)


def _type_answers(process, terminal, answers, look=lambda shown: None):
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
        look(shown)
        for question in [one for one in answers if one in shown[seen:]]:
            os.write(terminal, answers.pop(question).encode())
            seen = len(shown)
    return shown

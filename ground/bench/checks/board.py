"""The board itself: its settings, its loop, its memory, why it started."""

from ground.bench.checks.card import NEAR
from ground.bench.finding import NO_GO, OK, WARNING, Finding, skipped
from ground.bench.statistics import line

SUBJECT = "board"
SETTINGS, LOOP, MEMORY, START = "settings on the board", "loop time", "free memory", "reason of the last start"
_HEAP_NO_GO, _HEAP_LOW = (
    20000,
    35000,
)  # the firmware says memory_low at the first; about a third of what is free at start
_LEAK_BYTES_PER_H = 20000.0
SETTLED_MS = 10500.0  # what is slow before is the start: files made, chips found
_CAUSES = {
    0: "unknown",
    1: "power",
    2: "the watchdog: the loop stood still",
    3: "the board's own reset, after an error",
}


def check(evidence, parts):
    """Findings about settings, loop, memory and start."""
    return [_settings(evidence), _loop(evidence), _memory(evidence), _start(evidence)]


def _own(evidence, name):
    return evidence.column("health", name)[evidence.column("health", "boot") == evidence.boot]


def _settings(evidence):
    flags, crcs = evidence.words("boot", "flags"), evidence.words("boot", "settings_crc")
    if not flags:
        return skipped(
            SUBJECT, SETTINGS, "the board has not introduced itself yet", "It does so once a minute: let it run longer."
        )
    if "default_settings" in (flags[-1] or ""):
        return Finding(
            SUBJECT, SETTINGS, NO_GO, "some were missing or wrong, and the board replaced them by defaults",
            "all taken as written",
            "It runs with other pins, addresses or rates than you think.",
            "Check the file (thistledown settings check FILE) and install it again: thistledown install --port PORT "
            "--settings FILE.",
        )  # fmt: skip
    if evidence.settings_crc is None and evidence.simulated:
        return skipped(SUBJECT, SETTINGS, "the board is simulated; it started with the settings that the checks go by")
    if evidence.settings_crc is None:
        return skipped(SUBJECT, SETTINGS, f"the board's have the check sum {crcs[-1]}; no file was given to compare",
                       "Give the file that was installed: --settings FILE.")  # fmt: skip
    if crcs[-1] == evidence.settings_crc:
        return Finding(
            SUBJECT, SETTINGS, OK, f"check sum {crcs[-1]}", evidence.settings_crc, "The board runs with the file given."
        )
    return Finding(
        SUBJECT, SETTINGS, WARNING, f"check sum {crcs[-1]}", f"{evidence.settings_crc}, of the file given",
        "The board has other settings than the file, and these checks went by the file.",
        "Install the file (thistledown install --port PORT --settings FILE), or give the one that is on the board.",
    )  # fmt: skip


def _loop(evidence):
    undisturbed = _undisturbed(evidence)
    loops, writes = _own(evidence, "loop_max_ms")[undisturbed], _own(evidence, "card_write_max_ms")[undisturbed]
    if not len(loops):
        return skipped(
            SUBJECT, LOOP, "the board has not reported it often enough yet", "Let it run for ten seconds more."
        )
    worst, limit = float(loops.max()), evidence.plan.limits.loop_ms_max
    measured, expected = f"longest turn {worst:.0f} ms", f"up to {NEAR * limit:.0f} ms; {limit:.0f} ms is the end"
    common = {"value": worst, "unit": "ms"}
    if worst <= NEAR * limit:
        return Finding(SUBJECT, LOOP, OK, measured, expected, "Every part gets its turn in time.", **common)
    in_trouble = _own(evidence, "card_errors")[-1] > 0 or evidence.last_event("card_lost", "log_alone") is not None
    if in_trouble or writes.max() > NEAR * evidence.plan.limits.card_write_ms_max:
        return Finding(SUBJECT, LOOP, "not checked", measured, expected,
                       "The loop waits for a card that gives trouble, see there.", **common)  # fmt: skip
    return Finding(
        SUBJECT, LOOP, NO_GO if worst > limit else WARNING, measured, expected,
        "Something holds the loop up: readings come late, and the receiver's bytes overflow.",
        "A sensor that answers slowly (unplug one after the other and watch), a bus that is too slow (i2c_hz), or a "
        "slow board.",
        **common,
    )  # fmt: skip


def _undisturbed(evidence):
    """Health records that tell of flying: not of the start, and not of what the bench itself made the board do."""
    times, period_ms = _own(evidence, "t_ms"), evidence.settings.health_period_ms
    keep = times > SETTLED_MS
    for name in ("card_test", "memory"):
        done_ms = evidence.replies.get(name, {}).get("t_ms")
        if done_ms is not None:
            keep &= (times < done_ms - period_ms) | (times > done_ms + period_ms)
    return keep


def _memory(evidence):
    heap, times = _own(evidence, "heap_free_bytes"), _own(evidence, "t_ms")
    heap, times = heap[heap > 0], times[heap > 0]
    if not len(heap):
        return skipped(SUBJECT, MEMORY, "the board has not reported it yet", "Let it run for ten seconds more.")
    least = float(heap.min())
    measured, expected = f"{least / 1000:.0f} kB at least", f"{_HEAP_LOW / 1000:.0f} kB or more, and not falling"
    common = {"value": least, "unit": "byte"}
    if least < _HEAP_LOW:
        return Finding(
            SUBJECT, MEMORY, NO_GO if least < _HEAP_NO_GO else WARNING, measured, expected,
            "Out of memory, tasks fail and the board starts anew.",
            "Install the firmware with `thistledown install`, which makes it small; other programs on the board take "
            "memory too.",
            **common,
        )  # fmt: skip
    if len(heap) > 20:
        slope, own, _ = line(times / 3.6e6, heap)
        if slope + 4 * own < -_LEAK_BYTES_PER_H and slope * 3.0 < _HEAP_NO_GO - least:
            return Finding(
                SUBJECT, MEMORY, WARNING, f"{measured}, falling by {-slope / 1000:.0f} kB an hour", expected,
                "It would be used up within a flight.", "Please report it, with the log of this run.", **common,
            )  # fmt: skip
    return Finding(SUBJECT, MEMORY, OK, measured, expected, "Enough, and it stays.", **common)


def _start(evidence):
    causes, boots = evidence.column("boot", "cause"), evidence.column("boot", "boot")
    mine = causes[boots == evidence.boot] if len(causes) else causes
    if not len(mine):
        return skipped(
            SUBJECT, START, "the board has not introduced itself yet", "It does so once a minute: let it run longer."
        )
    cause = int(mine[-1])
    said = _CAUSES.get(cause, str(cause))
    if cause in (0, 1):
        return Finding(SUBJECT, START, OK, said, "power", "It was switched on, and nothing made it start again.")
    return Finding(
        SUBJECT, START, WARNING, said, "power", "The board started again by itself: a supply that dips, or an error.",
        "Look at the plug and the battery. If it comes again, please report it with the log of this run.",
    )  # fmt: skip

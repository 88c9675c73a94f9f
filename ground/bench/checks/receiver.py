"""The GPS receiver: does it talk, is it in its airborne mode, has it a fix, and from how many satellites.

In its default mode a receiver stops giving positions at some 12 km (u-blox M8 receiver description, dynamic platform
models: 12 km portable and stationary is 9 km, 50 km airborne; from memory). So a mode that is not confirmed is a NO-GO.
"""

import numpy as np

from ground.bench.finding import NO_GO, OK, WARNING, Finding, skipped

SUBJECT = "GPS receiver"
TALKS, RATE, MODE, FIX, SATELLITES = (
    "receiver talks", "receiver's bit rate", "airborne mode", "position fix", "satellites in use",
)  # fmt: skip
_SILENT_MS = 8000
_LATE_MS = 9500  # rubbish alone for ten seconds, then the board tries other rates (firmware/drivers/gnss.py)
_SETTLED_MS = 25000  # to ask for the mode, set it and read it back, with retries
_FIX_WAIT_MS = 90000  # a cold start under open sky takes about half a minute


def check(evidence, parts):
    """Findings from whether it talks to how well it sees the sky."""
    mine = evidence.column("fix", "boot") == evidence.boot
    times = evidence.column("fix", "t_ms")[mine]
    late = _rate(evidence, times)
    if not len(times) or evidence.last_ms - times[-1] > _SILENT_MS:
        why = "the receiver does not talk; that comes first"
        findings = [_silent(evidence, times)]
        return findings + [skipped(SUBJECT, name, why) for name in (MODE, FIX, SATELLITES)]
    talks = Finding(SUBJECT, TALKS, OK, f"{len(times)} reports", "a report each second", "It talks and is understood.")
    mode = _mode(evidence)
    return [talks, *([late] if late else []), mode, *_sky(evidence)]


def _silent(evidence, times):
    s = evidence.settings
    if len(times):
        return Finding(
            SUBJECT, TALKS, NO_GO, f"fell silent {(evidence.last_ms - times[-1]) / 1000:.0f} s ago",
            "a report each second",
            "It talked in this run and stopped: a loose plug or wire, or its supply.",
            "Wiggle its plug and watch the live view; switch off, press the plug home or solder the wire again.",
        )  # fmt: skip
    test = evidence.last_event("self_test")
    bytes_came = (test is not None and not test["b"] & 1 << 6) or bool(
        np.nanmax([0.0, *evidence.column("health", "gnss_bad")])
    )
    if test is not None and bytes_came:
        return Finding(
            SUBJECT, TALKS, NO_GO, "bytes come, and none makes sense", "a report each second",
            f"Something sends on the receiver's wire, but not at {s.gnss_baud} bit/s nor any usual rate, or its "
            f"levels are wrong.",
            "Look up the receiver's bit rate and write it into gnss_baud of the settings. The wire wants 3.3 V "
            "levels: an RS-232 plug does not fit, and its voltage destroys the board.",
        )  # fmt: skip
    return Finding(
        SUBJECT, TALKS, NO_GO, "nothing at all", "a report each second",
        "Not one byte came from the receiver: no supply, or TX and RX are swapped.",
        f"Does its light glow? Take all power away; its TX goes to GPIO {s.gnss_rx} and its RX to GPIO {s.gnss_tx} "
        "(crosswise), supply and ground as its sheet says. Power on and run again.",
    )  # fmt: skip


def _rate(evidence, times):
    """A finding if the first understood report came so late that the board must have searched for the rate."""
    states = [row for row in evidence.events if row["name"] == "gnss_state"]
    mute_first = bool(states) and states[0]["a"] == 0 and evidence.first_ms < 3000
    if not mute_first or not len(times) or times[0] < _LATE_MS:
        return None
    test = evidence.last_event("self_test")
    if test is not None and test["b"] & 1 << 6:  # it was silent then, and not misunderstood
        return None
    return Finding(
        SUBJECT, RATE, WARNING, f"understood only after {times[0] / 1000:.0f} s",
        f"{evidence.settings.gnss_baud} bit/s at once",
        "The receiver speaks at another bit rate than gnss_baud in the settings says. The board searched and found "
        "it, but after every restart in flight it would have to search again.",
        "Look up the receiver's bit rate (often 9600, 38400 or 115200) and write it into gnss_baud of the settings.",
    )  # fmt: skip


def _mode(evidence):
    model = evidence.settings.airborne_model
    expected = f"acknowledged and read back as model {model}"
    said = evidence.last_event(
        "gnss_model_set", "gnss_model_refused", "gnss_model_wrong", "gnss_no_reply", "gnss_restarted", source="gnss"
    )
    reply = evidence.replies.get("airborne", {})
    if reply.get("status") == "done" and reply.get("read_back", -1) >= 0:
        right = reply["read_back"] == model and reply["confirmed"]
        said = {"name": "gnss_model_set" if right else "gnss_model_wrong", "a": reply["read_back"]}
    if said is None:
        if evidence.first_ms < 3000 and evidence.last_ms > _SETTLED_MS:
            said = {"name": "gnss_no_reply", "a": 0}
        else:
            return skipped(
                SUBJECT, MODE, "the board set it before the bench was listening",
                "Switch the board off and on again while the bench runs.",
            )  # fmt: skip
    if said["name"] == "gnss_model_set" and said["a"] == model:
        return Finding(
            SUBJECT, MODE, OK, f"the receiver reads back model {said['a']}", expected,
            "It will go on giving positions above the height at which its default mode stops.",
        )  # fmt: skip
    measured, why = {
        "gnss_model_set": (f"reads back model {said['a']}", "The board set another model than these settings name."),
        "gnss_model_refused": ("refused by the receiver", "It understands the command and says no."),
        "gnss_model_wrong": (f"reads back model {said['a']}", "It was told the model and keeps another one."),
        "gnss_no_reply": ("no answer to any command", "It sends positions and hears nothing: its RX wire is open, or "
                          "it takes no such command."),
        "gnss_restarted": ("lost by a restart of the receiver", "It restarted and forgot it; the board sets it again."),
    }[said["name"]]  # fmt: skip
    return Finding(
        SUBJECT, MODE, NO_GO, measured, expected,
        f"{why} In its default mode a receiver falls silent at some 12 km, and the box could not be found from its "
        "track.",
        f"Check the wire from GPIO {evidence.settings.gnss_tx} to the receiver's RX. If it is good, this receiver "
        "cannot fly: take one whose sheet says that it takes an airborne dynamic model.",
    )  # fmt: skip


def _sky(evidence):
    mine = (evidence.column("fix", "boot") == evidence.boot) & (
        evidence.column("fix", "t_ms") > evidence.last_ms - 12000
    )
    kinds = [kind for kind, own in zip(evidence.words("fix", "fix_type"), mine, strict=True) if own]
    share = sum(kind == "3d" for kind in kinds) / max(len(kinds), 1)
    waited_s = evidence.last_ms / 1000.0
    if share < 0.8:
        measured = f"none {waited_s:.0f} s after power-up"
        if evidence.last_ms < _FIX_WAIT_MS:
            return [
                skipped(
                    SUBJECT, FIX, f"{measured}; a cold start takes up to {_FIX_WAIT_MS // 1000} s", "Let it run longer."
                ),
                skipped(SUBJECT, SATELLITES, "there is no fix yet"),
            ]
        indoors = evidence.answers.indoors
        return [
            Finding(
                SUBJECT, FIX, WARNING if indoors else NO_GO, measured, "a three-dimensional fix",
                "It hears too few satellites" + (": indoors that is to be expected." if indoors else "."),
                "Take the box outdoors, antenna up, with open sky and away from walls, and run again"
                + ("." if indoors else "; or say --indoors if that must wait. If it stays, look at antenna and plug."),
            ),
            skipped(SUBJECT, SATELLITES, "there is no fix; that comes first"),
        ]  # fmt: skip
    satellites = evidence.column("fix", "satellites")[mine]
    used = float(np.nanmedian(satellites)) if np.isfinite(satellites).any() else float("nan")
    fix = Finding(SUBJECT, FIX, OK, f"three-dimensional in {100 * share:.0f} % of reports", "a three-dimensional fix",
                  "It knows where it is.")  # fmt: skip
    least = evidence.plan.limits.satellites_min
    common = {"value": used, "unit": ""}
    if used >= least:
        return [fix, Finding(SUBJECT, SATELLITES, OK, f"{used:.0f}", f"{least} or more", "Enough.", **common)]
    return [fix, Finding(
        SUBJECT, SATELLITES, WARNING, f"{used:.0f}", f"{least} or more",
        "With so few a swing of the box in flight loses the fix.",
        "Go where more sky is free; keep the antenna on top, flat, a hand's breadth from camera, card and wires.",
        **common,
    )]  # fmt: skip

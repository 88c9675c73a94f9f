"""The card: is it there, does it keep what is written, how long does its worst write take.

An SD card may be busy for up to 250 ms with one write (SD Physical Layer Simplified Specification, 4.6.2.2, write
timeout; from memory); one that takes longer is failing or was never good.
"""

import numpy as np

from ground.bench.finding import NO_GO, OK, WARNING, Finding, skipped

SUBJECT = "card"
KEEPS, WORST, COPY = "card write and read-back", "worst write to the card", "second copy in flash"
_CARD_BIT, _FLASH_BIT = 1 << 1, 1 << 10  # of the self-test's trouble: source numbers
NEAR = 0.8  # of a limit: more is a warning. Cards that keep house take a tenth of a second now and then
_ROWS_MIN = 2
# Sectors of a log at the usual rates, as in firmware/core/logbook.py; a demo flight takes 3 616 to 3 714.
_AN_HOUR = 3800


def check(evidence, parts):
    """Findings about the card itself and its speed."""
    mine = evidence.column("health", "boot") == evidence.boot
    sectors = evidence.column("health", "sectors")[mine]
    if len(sectors) < _ROWS_MIN:
        why = "the board has not reported its health often enough yet"
        return [skipped(SUBJECT, name, why, "Let it run for ten seconds more.") for name in (KEEPS, WORST, COPY)]
    keeps = _keeps(evidence, sectors, evidence.column("health", "card_errors")[mine])
    if keeps.verdict == NO_GO:
        return [
            keeps,
            skipped(SUBJECT, WORST, "the card does not take what is written; that comes first"),
            _copy(evidence),
        ]
    writes_ms = list(evidence.column("health", "card_write_max_ms")[mine][1:])
    writes_ms.append(evidence.replies.get("card_test", {}).get("write_max_us", 0) / 1000.0)
    return [keeps, _worst(evidence, writes_ms), _copy(evidence)]


def _keeps(evidence, sectors, errors):
    expected = "each sector written, one read back the same"
    gone = evidence.last_event("card_lost", "card_back", source="card")
    tested = evidence.last_event("self_test")
    reply = evidence.replies.get("card_test", {})
    reply = reply if "sectors_good" in reply and reply.get("status") != "missing" else None
    room = _room_if_short(evidence)
    if room is not None:
        hours = f"{room / _AN_HOUR:.1f} h"
        return Finding(
            SUBJECT, KEEPS, NO_GO, f"the card is full or nearly: room for {room} sectors of a log, {hours}",
            expected, "The flight would end up in the board's small flash, thinned, or not at all.",
            "Switch off. Copy off what the card holds and delete it, older logs too, or take an empty card.",
        )  # fmt: skip
    if (gone is not None and gone["name"] == "card_lost") or sectors[-1] == sectors[0]:
        measured = "lost in this run" if sectors[-1] > 0 else "no card, or one that the board cannot use"
        return Finding(
            SUBJECT, KEEPS, NO_GO, measured, expected, "Nothing is written, so the flight would leave no record.",
            "Switch off. Push the card in until it clicks; it must be FAT formatted, with room for the log "
            "(log_size_mib in the settings). Try another card, then check the six wires of its socket.",
        )  # fmt: skip
    if errors[-1] > 0:
        return Finding(
            SUBJECT, KEEPS, NO_GO, f"{errors[-1]:.0f} writes failed, {sectors[-1]:.0f} sectors are written", expected,
            "Some writes fail: a card at its end, a worn contact, or wires that are too long.",
            "Switch off, clean the contacts with a dry cloth, shorten the wires to its socket, and try a new card of "
            "another make.",
        )  # fmt: skip
    verified = None if tested is None else not tested["b"] & _CARD_BIT
    if reply is not None:
        verified = reply["sectors_good"] >= reply["sectors"]
    if verified is False:
        return Finding(
            SUBJECT, KEEPS, NO_GO, "what was read back was not what was written", expected,
            "The card acknowledges and does not keep: a failing card or one that claims more room than it has.",
            "Do not fly it. Take a new card and run again.",
        )  # fmt: skip
    if verified is None:
        return skipped(
            SUBJECT, KEEPS, f"{sectors[-1]:.0f} sectors written without an error; no read-back was heard",
            "Switch the board off and on again while the bench runs.",
        )  # fmt: skip
    back = "the first" if reply is None else f"{reply['sectors_good']} more"
    return Finding(
        SUBJECT, KEEPS, OK, f"{sectors[-1]:.0f} sectors written, none failed, {back} read back the same", expected,
        "It keeps what it is given.",
    )  # fmt: skip


def _room_if_short(evidence):
    """Sectors that a full card has left for a log, None if it has enough.

    The board says it where it begins a log, just before it says that, or where it could not begin one.
    """
    told = [row for row in evidence.events if row["name"] in ("card_full", "log_armed", "log_resumed")]
    if told and told[-1]["name"] != "card_full":
        told = told[-2:-1] if len(told) > 1 and told[-2]["name"] == "card_full" and told[-2]["a"] else []
    return told[-1]["a"] if told else None


def _worst(evidence, writes_ms):
    worst = float(np.max(writes_ms))
    limit = evidence.plan.limits.card_write_ms_max
    measured, expected = f"{worst:.0f} ms", f"up to {NEAR * limit:.0f} ms; {limit:.0f} ms is the end"
    common = {"value": worst, "unit": "ms"}
    if worst <= NEAR * limit:
        return Finding(SUBJECT, WORST, OK, measured, expected, "Quick enough; in the cold it will be slower.", **common)
    return Finding(
        SUBJECT, WORST, NO_GO if worst > limit else WARNING, measured, expected,
        "While the card is busy the board cannot write, and readings wait or get lost. Cold makes it slower still.",
        "Take another card: one sold for continuous recording, fresh from the shop or formatted anew, and run again.",
        **common,
    )  # fmt: skip


def _copy(evidence):
    wanted = evidence.settings.copy_size_kib
    if not wanted:
        return skipped(SUBJECT, COPY, "the settings want none")
    begun, small = evidence.last_event("copy_begun"), evidence.last_event("copy_small")
    tested = evidence.last_event("self_test")
    refused = evidence.last_event("copy_error") is not None or (tested is not None and tested["b"] & _FLASH_BIT)
    expected = f"{wanted} KiB"
    if refused:
        return Finding(
            SUBJECT, COPY, WARNING, "the board's flash refuses writes", expected,
            "If the card breaks in the landing, this copy is all there is.",
            "Look at what is in the board's flash and remove what is not Thistledown's; install again; then another "
            "board.",
        )  # fmt: skip
    if small is not None:
        return Finding(
            SUBJECT, COPY, WARNING, f"room for {small['a']} KiB", expected,
            "The copy would end before the flight does.",
            f"Remove other files from the board's flash, or set copy_size_kib = {small['a']} in the settings and know "
            "that it is short.",
        )  # fmt: skip
    if begun is None:
        return skipped(SUBJECT, COPY, "the board began it before the bench was listening",
                       "Switch the board off and on again while the bench runs.")  # fmt: skip
    return Finding(
        SUBJECT, COPY, OK, f"a ring of {begun['b']} KiB", expected, "Readings go to the board's own flash as well."
    )

"""What can befall the board, by the scenario's word for it.

A fault is a dict with `kind` and what the kind needs; `at_us` and `for_us` are world time. Adding a fault is adding a
function here (and its model to scenario_chips.py): it gets the board and the dict, and sets an alarm on the clock or
a hook on a bus, the receiver or the card. It is called at the start of every boot, also of one that begins in the
middle of the fault, so it must look at the time.
"""

from ground.simulator.board.clock import NEVER_US, PowerCut
from ground.simulator.board.noise import Noise

_TORN_BYTES = 256  # of a block: what was new when the supply went (prototype_measurements, 5)


def power_cut(board, fault):
    """The supply fails at a moment; how long it stays away is for who starts the next boot."""
    if fault["at_us"] >= board.clock.boot_us:
        board.clock.at(fault["at_us"], lambda: board.clock.end(PowerCut("at %d us" % fault["at_us"])))


def power_cut_at_write(board, fault):
    """The supply fails at the n-th block write of the flight (`write`, from 1).

    `manner`: "clean" (the block is whole), "torn" (its first `bytes` are new, the rest old), "garbage" (the block in
    flight becomes random bytes) or "lost" (nothing of it arrives).
    """
    card = board.card
    left = fault["write"] - fault.get("writes_before", 0)
    if left < 1:
        return
    manner = fault.get("manner", "clean")
    target = card.write_count + left
    noise = Noise(board.seed, "cut/%d" % fault["write"])

    def before(block, data):
        if card.write_count != target:
            return None
        if manner == "lost":
            board.clock.end(PowerCut("before block write %d" % fault["write"]))
        if manner == "torn":
            keep = fault.get("bytes", _TORN_BYTES)
            return bytes(data[:keep]) + card._raw_block(block)[keep:]
        if manner == "garbage":
            return noise.bytes(len(data))
        return None

    def after(block):
        if card.write_count == target:
            board.clock.end(PowerCut("at block write %d, %s" % (fault["write"], manner)))

    card.before_write, card.after_write = before, after


def receiver_restart(board, fault):
    """The receiver's supply dips: it forgets its settings and its fix, and starts again in its default mode."""
    if fault["at_us"] >= board.clock.boot_us and board.receiver is not None:
        off_us, cold = fault.get("for_us", 0), fault.get("cold", False)
        board.clock.at(fault["at_us"], lambda: board.receiver.restart(off_us, cold))


def missing_chip(board, fault):
    """A chip does not answer, for a while or (without `at_us`) for the whole flight; it comes back as if new."""
    start_us = fault.get("at_us", 0)
    end_us = start_us + fault["for_us"] if fault.get("for_us") else NEVER_US
    name = fault["chip"]
    now_us = board.clock.boot_us
    if end_us <= now_us:
        return
    if start_us <= now_us:
        board.remove(name)
    else:
        board.clock.at(start_us, lambda: board.remove(name))
    if end_us < NEVER_US:
        board.clock.at(end_us, lambda: board.put_back(name))


KINDS = {
    "power_cut": power_cut,
    "power_cut_at_write": power_cut_at_write,
    "receiver_restart": receiver_restart,
    "missing_chip": missing_chip,
}


def arm(board, faults):
    """Set all faults for this boot. Raises ValueError for a kind that is not there."""
    for fault in faults:
        if fault["kind"] not in KINDS:
            raise ValueError("unknown fault %s; known: %s" % (fault["kind"], ", ".join(sorted(KINDS))))
        KINDS[fault["kind"]](board, fault)

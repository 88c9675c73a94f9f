"""What can befall the board, by the scenario's word for it.

Those of chips and their buses are in chip_faults.py. A fault is a dict with `kind` and what the kind needs; `at_us`
and `for_us` are world time. Adding a fault is adding a function here or there (and its model to scenario_faults.py):
it gets the board and the dict, and sets an alarm on the clock or a hook on a bus, the receiver or the card. It is
called at the start of every boot, also of one that begins in the middle of the fault, so it must look at the time.
"""

from ground.simulator.board.chip_faults import KINDS as CHIP_KINDS
from ground.simulator.board.chip_faults import for_a_while
from ground.simulator.board.clock import PowerCut
from ground.simulator.board.flash_faults import power_cut_at_flash_write
from ground.simulator.board.noise import Noise

_SLOW_FACTOR = 100
_CARD_FLIP_ODDS = 3000  # about every sixth block
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


def card_removed(board, fault):
    """The card is pulled, and put back after `for_us`."""
    card = board.card
    for_a_while(board, fault, card.remove, card.put_back)


def card_slow(board, fault):
    """The card is busy `factor` times as long after each block, never longer than a cold card (card.py)."""
    card, factor = board.card, fault.get("factor", _SLOW_FACTOR)
    for_a_while(board, fault, lambda: setattr(card, "busy_factor", factor), lambda: setattr(card, "busy_factor", 1))


def card_stalls(board, fault):
    """The card is busy for `busy_ms` after each block, or longer."""
    card, busy_us = board.card, fault["busy_ms"] * 1000
    for_a_while(board, fault, lambda: setattr(card, "stall_us", busy_us), lambda: setattr(card, "stall_us", 0))


def card_dies(board, fault):
    """From a moment on the next `blocks` blocks of the card take nothing; all others do."""
    if fault["at_us"] >= board.clock.boot_us:
        board.clock.at(fault["at_us"], lambda: setattr(board.card, "blocks_to_die", fault["blocks"]))


def card_refuses(board, fault):
    """The card takes no block that is written, and says so; reading goes on."""
    card = board.card
    for_a_while(board, fault, lambda: setattr(card, "refuses", True), lambda: setattr(card, "refuses", False))


def card_bit_flips(board, fault):
    """One byte in `odds` between board and card is hurt, both ways; only a card on SPI has such a line."""
    if board.spi_card is None:
        raise ValueError('fault card_bit_flips needs a card with interface = "spi"')
    card, odds = board.spi_card, fault.get("odds", _CARD_FLIP_ODDS)
    for_a_while(board, fault, lambda: setattr(card, "flip_odds", odds), lambda: setattr(card, "flip_odds", 0))


KINDS = {
    "power_cut": power_cut,
    "power_cut_at_write": power_cut_at_write,
    "power_cut_at_flash_write": power_cut_at_flash_write,
    "receiver_restart": receiver_restart,
    "card_removed": card_removed,
    "card_slow": card_slow,
    "card_stalls": card_stalls,
    "card_dies": card_dies,
    "card_refuses": card_refuses,
    "card_bit_flips": card_bit_flips,
}
KINDS.update(CHIP_KINDS)


def arm(board, faults):
    """Set all faults for this boot. Raises ValueError for a kind that is not there."""
    for fault in faults:
        if fault["kind"] not in KINDS:
            raise ValueError("unknown fault %s; known: %s" % (fault["kind"], ", ".join(sorted(KINDS))))
        KINDS[fault["kind"]](board, fault)

"""What can befall the flash: the supply fails at one of its operations."""

from ground.simulator.board.clock import PowerCut
from ground.simulator.board.flash_chip import BLOCK
from ground.simulator.board.noise import Noise
from ground.simulator.board.write_journal import FLASH_ERASE

_TORN_BYTES = 100  # of a page: what was programmed when the supply went


def power_cut_at_flash_write(board, fault):
    """The supply fails at the n-th operation of the flash (`write`, from 1): a page programmed or a block erased.

    `manner`: "clean" (it is done), "torn" (the first `bytes` of a page are programmed, of the next one some bits, the
    rest is as before; of a block some bits are erased and others not) or "lost" (nothing of it is done).
    """
    flash = board.flash
    if flash is None:
        raise ValueError("fault power_cut_at_flash_write needs the virtual flash, not a folder")
    left = fault["write"] - fault.get("writes_before", 0)
    if left < 1:
        return
    manner = fault.get("manner", "clean")
    target = flash.operation_count + left

    def before(what, block, offset, data):
        if flash.operation_count != target:
            return None
        if manner == "lost":
            board.clock.end(PowerCut("before flash operation %d" % fault["write"]))
        if manner == "torn":
            noise = Noise(board.seed, "flash cut/%d" % fault["write"])
            if what == FLASH_ERASE:
                return torn_erase(flash.raw(block, 0, BLOCK), noise)
            return torn_program(flash.raw(block, offset, len(data)), data, fault.get("bytes", _TORN_BYTES), noise)
        return None

    def after(what, block):
        if flash.operation_count == target:
            board.clock.end(PowerCut("at flash operation %d, %s" % (fault["write"], manner)))

    flash.before_operation, flash.after_operation = before, after


def torn_program(old, data, keep, noise):
    """What stands in a page of which `keep` bytes are programmed and the next one only in some of its bits."""
    keep = min(keep, len(data))
    torn = bytes(data[:keep]) + bytes(old[keep:])
    if keep < len(data):
        half = old[keep] & (data[keep] | noise.bytes(1)[0])
        torn = torn[:keep] + bytes([half]) + torn[keep + 1:]
    return torn


def torn_erase(old, noise):
    """What stands in a block of which some bits are erased and others not yet."""
    fresh = noise.bytes(len(old))
    return bytes([byte | risen for byte, risen in zip(old, fresh)])

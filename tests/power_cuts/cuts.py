"""The kinds of cut: what a write can leave behind when the supply goes, and what a card may do to the last few.

| kind | the card, or the flash, afterwards |
| --- | --- |
| whole | the write is done, the firmware never hears of it |
| torn | the first `split` bytes are new, the rest is as before; of a page of the flash one byte is half programmed; |
|  | of an erase some bits are up, others not yet |
| garbage | the sector in flight became random bytes |
| lost | the last `split` writes, this one included, never left the card's cache |
| shuffled | of the last SHUFFLED_MAX writes some arrived, others not, in no order |
"""

import random
from dataclasses import dataclass

from ground.simulator.board.flash_chip import BLOCK as ERASE_BLOCK
from ground.simulator.board.write_journal import CARD_WRITE, FLASH_PROGRAM

SHUFFLED_MAX = 6  # the firmware's search for the end of a log bridges seven places
_LOST = (2, SHUFFLED_MAX)
_SPLITS = (2, 30, 64, 256, 510)  # a sync word, a header, the middle, all but a word
_PAGE_SPLITS = (1, 100, 255)


@dataclass(frozen=True)
class Cut:
    """A cut at write `number` of a flight, counted from 1 over card and flash."""

    flight: str
    number: int
    kind: str
    split: int = 0
    seed: int = 0

    def command(self):
        """What replays this one case."""
        return (
            f"python -m tests.bench.power_cuts --flight {self.flight} --cut {self.number} --kind {self.kind}"
            f" --split {self.split} --seed {self.seed}"
        )

    @property
    def done(self):
        """Number of the last write that the board saw through."""
        return self.number - 1 if self.kind in ("torn", "garbage") else self.number

    def chance(self):
        return random.Random(f"{self.flight}/{self.number}/{self.kind}/{self.split}/{self.seed}")

    def dropped(self, writes):
        """Numbers of the card's writes that never arrived."""
        if self.kind not in ("lost", "shuffled"):
            return frozenset()
        last = [n for n in range(max(1, self.number - 4 * SHUFFLED_MAX), self.number + 1) if _is_card(writes, n)]
        if self.kind == "lost":
            return frozenset(last[-self.split :])
        last = last[-SHUFFLED_MAX:]
        chance = self.chance()
        lost = {n for n in last[:-1] if chance.random() < 0.5} or {last[0]}
        return frozenset(lost if chance.random() < 0.7 else lost | {last[-1]})


def _is_card(writes, number):
    return writes[number - 1].what == CARD_WRITE


def kinds_at(flight, number, write, seed):
    """Every kind of cut at one write: the fixed splits and one by chance."""
    chance = random.Random(f"{flight}/{number}/{seed}")
    if write.what == CARD_WRITE:
        splits = sorted({*_SPLITS, chance.randrange(1, 512)})
        rest = [("garbage", 0), *(("lost", count) for count in _LOST), ("shuffled", 0)]
    elif write.what == FLASH_PROGRAM:
        splits, rest = [split for split in _PAGE_SPLITS if split < len(write.data)], []
    else:
        splits, rest = [0], []
    pairs = [("whole", 0), *(("torn", split) for split in splits), *rest]
    return [Cut(flight, number, kind, split, seed) for kind, split in pairs]


def torn_sector(old, new, split):
    """A sector of which the first `split` bytes were written."""
    return new[:split] + old[split:]


def torn_flash(image, write, cut):
    """The same on the flash's bytes, in place."""
    at, chance = write.block * ERASE_BLOCK + write.offset, cut.chance()
    if write.what == FLASH_PROGRAM:
        old = image[at : at + len(write.data)]
        image[at : at + cut.split] = write.data[: cut.split]
        if cut.split < len(write.data):  # bits of one byte have begun to fall
            image[at + cut.split] = old[cut.split] & (write.data[cut.split] | chance.randrange(256))
    else:
        risen = chance.randbytes(ERASE_BLOCK)
        block = image[at : at + ERASE_BLOCK]
        image[at : at + ERASE_BLOCK] = bytes(old | more for old, more in zip(block, risen, strict=True))

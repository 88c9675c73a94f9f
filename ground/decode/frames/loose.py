"""Frames in blocks without a header of their own: whose they are is told by the CRC, once all headers are known.

They may belong to any log and boot of the source, also to one that only a header in the rubble names, and to a boot
whose only header is hurt: its number is then guessed from its neighbours'.
"""

import numpy as np

from ground.decode.frames import frame_check
from ground.decode.frames.close_look import NOTHING_LEFT, Frames, failures, outer
from ground.decode.frames.found import Found, batch_of, in_place, stamped
from ground.decode.frames.sectors import LOOSE, Keys
from ground.decode.frames.threads import each
from ground.decode.frames.wire import HEADER_KIND, KIND_COUNT, KIND_SIZES, frame_dtypes, rows_at

BOOTS_AROUND = 2  # a boot may have written one sector only, whose header is hurt
_GUESSES_MAX = 200  # pairs whose neighbours are tried; a log of more boots than that has other troubles
_BOOT_MAX = 0xFFFFFFFF


def match_loose(blocks, parts):
    """Give the candidates in loose blocks the keys that their CRC fits; those of none have failed."""
    for part in parts:
        _learn_keys(blocks, part.maybe)
    guesses = _with_guesses(blocks.keys)
    tables = []
    for values in frame_check.expected(guesses.salts()) if guesses.pairs else []:
        order = np.argsort(values, kind="stable")
        tables.append((values[order], order.astype(np.int32)))

    def match(part):
        maybe = part.maybe
        keys = np.full(len(maybe.syndromes), LOOSE, dtype=np.int32)
        for kind in range(KIND_COUNT) if tables else ():
            chosen = np.flatnonzero(maybe.kinds == kind)
            if kind == HEADER_KIND or len(chosen) == 0:
                continue
            values, numbers = tables[kind]
            place = np.minimum(np.searchsorted(values, maybe.syndromes[chosen]), len(values) - 1)
            keys[chosen] = np.where(values[place] == maybe.syndromes[chosen], numbers[place], LOOSE)
        return keys

    matched = each(match, parts, blocks.size)
    true_numbers = _true_numbers(blocks.keys, guesses, matched)
    for part, keys in zip(parts, matched, strict=True):
        if len(keys):
            _add_matched(blocks.data, part, keys >= 0, true_numbers[keys])


def _add_matched(data, part, intact, keys):
    """Put what turned out to be frames to the others, and what turned out to be none to the failures."""
    maybe, part.maybe = part.maybe, NOTHING_LEFT
    failed = maybe.starts[failures(intact, maybe.kinds, maybe.syndromes)[0]]
    part.failed = in_place((part.failed,), (failed,))[0]
    chosen = np.flatnonzero(intact)
    if len(chosen):
        starts, kinds = maybe.starts.take(chosen), maybe.kinds.take(chosen)
        part.frames = Frames(*in_place(part.frames, (starts, kinds, np.full(len(chosen), -1))))
        found = in_place(part.batch.found, stamped(data, starts, kinds, keys.take(chosen)))
        part.batch = batch_of(Found(*found))
        outermost = outer(part.frames)
        if outermost is not None:
            part.leave_out(~outermost)


def _learn_keys(blocks, maybe):
    """Headers that stand in loose blocks name logs and boots too."""
    headers = maybe.starts[(maybe.kinds == HEADER_KIND) & (maybe.syndromes == 0)]
    if len(headers):
        found = rows_at(blocks.data, headers, int(KIND_SIZES[HEADER_KIND])).view(frame_dtypes()[HEADER_KIND]).ravel()
        pairs = np.unique(np.stack([found["log_id"], found["boot"]]), axis=1)
        for pair in pairs.T.tolist():
            blocks.keys.add(*pair)


def _with_guesses(keys):
    """The known pairs and, behind them, boots of the known logs that may have lost their only header."""
    guesses = Keys(list(keys.pairs), dict(keys.number))
    for log_id, boot in keys.pairs[:_GUESSES_MAX]:
        for near in range(max(boot - BOOTS_AROUND, 0), min(boot + BOOTS_AROUND, _BOOT_MAX) + 1):
            guesses.add(log_id, near)
    return guesses


def _true_numbers(keys, guesses, matched):
    """Key numbers by guess number; the real keys gain the guesses that came true."""
    came_true = np.zeros(len(guesses.pairs) + 1, dtype=bool)
    for numbers in matched:
        came_true[numbers] = True  # LOOSE, which is -1, marks the last place
    translation = np.full(len(came_true), LOOSE, dtype=np.int32)
    for number in np.flatnonzero(came_true[:-1]).tolist():
        translation[number] = keys.add(*guesses.pairs[number])
    return translation

"""Sets of frames as sorted arrays of 64-bit marks, one for each frame by all of its bytes: a flight has 100 000.

A mark is a sum of the frame's words times odd constants by chance; that two frames of a flight share one is as likely
as a throw of 2^-64 for each pair of them.
"""

import numpy as np

_WORDS = 64  # a frame is never longer than a sector
_FACTORS = np.random.default_rng(1957).integers(1, 1 << 63, _WORDS + 1, dtype=np.uint64) | np.uint64(1)


def marks_of_rows(rows):
    """Mark of each row of a uint8 array, shape (n, bytes of a frame)."""
    count, size = rows.shape
    words = np.zeros((count, -(-size // 8) + 1), dtype=np.uint64)
    words.view(np.uint8).reshape(count, -1)[:, :size] = rows
    words[:, -1] = size
    # the upper half folded in, so that high bits of a word reach low bits of the mark, too
    words ^= words >> np.uint64(29)
    mixed = words * _FACTORS[: words.shape[1]]
    return (mixed ^ mixed >> np.uint64(32)).sum(axis=1, dtype=np.uint64)


def marks(frames):
    """Marks of some frames, each once, rising."""
    sizes: dict[int, list] = {}
    for frame in frames:
        sizes.setdefault(len(frame), []).append(frame)
    parts = [
        marks_of_rows(np.frombuffer(b"".join(same), np.uint8).reshape(len(same), size)) for size, same in sizes.items()
    ]
    return np.unique(np.concatenate(parts)) if parts else EMPTY


EMPTY = np.zeros(0, dtype=np.uint64)


def without(some, others):
    """What is in `some` and not in `others`; both rising, without repeats."""
    if not len(others):
        return some
    at = np.minimum(np.searchsorted(others, some), len(others) - 1)
    return some[others[at] != some]


def joined(*sets):
    """Everything that is in any of them."""
    return np.unique(np.concatenate([EMPTY, *sets]))

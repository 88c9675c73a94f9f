"""Hurts a log at random and keeps its own account: which frames it left whole, whatever a decoder makes of the rest.

A frame is whole if the damager changed, lost or inserted no byte of it. What a decoder gives back is held against the
bytes that were written, not against another decoder.
"""

import struct
from dataclasses import dataclass
from zlib import crc32

import numpy as np

from shared_protocol.crc import frame_salt
from shared_protocol.frame import PREFIX, SECTOR_SIZE, SYNC, encode_header
from shared_protocol.records import (
    ECEF,
    EVENT,
    FIX,
    HEALTH,
    NOTE,
    POWER,
    PRESSURE,
    TEMPERATURE,
    declaration,
    payload_format,
)

SECOND = [PRESSURE, POWER, PRESSURE] * 5 + [FIX, TEMPERATURE, TEMPERATURE, EVENT]
PATTERN = SECOND * 5 + [HEALTH, ECEF, NOTE]
STEP_MS = 52  # between two frames: the time alone says which frame it is
LOG_ID = 0xD0_5EED
SPREAD_MAX = 64  # bytes of one burst, loss or insertion


@dataclass
class WrittenLog:
    """A log and where each of its frames stands; frame n carries the time n x STEP_MS."""

    data: np.ndarray
    starts: np.ndarray
    sizes: np.ndarray


def write_log(sectors, seed):
    """A log of that many full sectors, half of them by each of two boots, with random payloads."""
    rng = np.random.default_rng(seed)
    pack, tail = struct.Struct(PREFIX).pack, struct.Struct("<I").pack
    pattern = [(kind, struct.calcsize(payload_format(declaration(kind)[2]))) for kind in PATTERN]
    pool, place, count, seq = rng.bytes(1 << 20), 0, 0, 0
    parts, starts, sizes = [], [], []
    for sector in range(sectors):
        boot = 1 if sector < sectors // 2 else 2
        seq = 0 if sector == sectors // 2 else seq
        salt, at = frame_salt(LOG_ID, boot), sector * SECTOR_SIZE + 30
        begun, frames = count, []
        while True:
            kind, size = pattern[count % len(pattern)]
            if at + size + 14 > (sector + 1) * SECTOR_SIZE:
                break
            place = (place + size) & 0xFFFFF
            payload = (pool[place : place + size]).ljust(size, b"\x01")
            body = pack(SYNC, kind, size, (seq + count - begun) & 0xFFFF, count * STEP_MS) + payload
            frames.append(body + tail(crc32(body, salt)))
            starts.append(at)
            sizes.append(size + 14)
            at += size + 14
            count += 1
        seq += count - begun
        head = encode_header(LOG_ID, boot, sector, seq & 0xFFFF, count * STEP_MS)
        parts.append((head + b"".join(frames)).ljust(SECTOR_SIZE, b"\xff"))
    return WrittenLog(np.frombuffer(b"".join(parts), dtype=np.uint8), np.array(starts), np.array(sizes))


@dataclass
class Hurt:
    """A damaged copy and, by frame, whether it was left whole."""

    data: np.ndarray
    whole: np.ndarray


def _whole(log, touched):
    """Which frames hold none of the bytes marked in `touched`, a bool for each byte."""
    places = np.flatnonzero(touched)
    frame = np.searchsorted(log.starts, places, side="right") - 1
    hit = frame[(frame >= 0) & (places < log.starts[frame] + log.sizes[frame])]
    whole = np.ones(len(log.starts), dtype=bool)
    whole[hit] = False
    return whole


def flip_bits(log, rate, rng):
    """Bits turned over, `rate` of them."""
    data, bits = log.data.copy(), rng.integers(0, len(log.data) * 8, rng.poisson(rate * 8 * len(log.data)))
    np.bitwise_xor.at(data, bits >> 3, (1 << (bits & 7)).astype(np.uint8))
    return Hurt(data, _whole(log, data != log.data))


def _places(log, rate, rng):
    """Where bursts begin, `rate` of them for each byte, and how long each is."""
    at = np.sort(rng.integers(0, len(log.data), rng.poisson(rate * len(log.data))))
    return at, np.minimum(rng.integers(1, SPREAD_MAX + 1, len(at)), len(log.data) - at)


def _spread(size, at, lengths):
    """Bytes covered by some stretches; bool, shape (size,)."""
    edges = np.zeros(size + 1, dtype=np.int64)
    np.add.at(edges, at, 1)
    np.add.at(edges, at + lengths, -1)
    return np.cumsum(edges)[:-1] > 0


def overwrite(log, rate, rng):
    """Bursts of 1 to 64 random bytes written over what was there."""
    covered = _spread(len(log.data), *_places(log, rate, rng))
    noise = rng.integers(0, 256, len(log.data), dtype=np.uint8)
    data = np.where(covered, noise, log.data)
    return Hurt(data, _whole(log, data != log.data))


def lose_bytes(log, rate, rng):
    """1 to 64 bytes lost at a time; what comes behind moves up."""
    lost = _spread(len(log.data), *_places(log, rate, rng))
    return Hurt(log.data[~lost], _whole(log, lost))


def insert_bytes(log, rate, rng):
    """1 to 64 random bytes put in at a time."""
    at, lengths = _places(log, rate, rng)
    data = np.insert(log.data, np.repeat(at, lengths), rng.integers(0, 256, int(lengths.sum()), dtype=np.uint8))
    between = np.zeros(len(log.data) + 1, dtype=bool)  # marks the byte before which something was put in
    between[at] = True
    before = np.concatenate([[0], np.cumsum(between, dtype=np.int64)])
    return Hurt(data, before[log.starts + log.sizes] == before[log.starts + 1])


def swap_sectors(log, rate, rng):
    """Sectors that changed places, `rate` of them, in a log with one bit in ten thousand turned over."""
    hurt = flip_bits(log, 1e-4, rng)
    order = np.arange(len(log.data) // SECTOR_SIZE)
    chosen = np.flatnonzero(rng.random(len(order)) < rate)
    order[chosen] = rng.permutation(chosen)
    return Hurt(hurt.data.reshape(-1, SECTOR_SIZE)[order].ravel(), hurt.whole)


def repeat_sectors(log, rate, rng):
    """Sectors that stand there twice, the second time as they were before bits were turned over."""
    hurt = flip_bits(log, 1e-4, rng)
    count = len(log.data) // SECTOR_SIZE
    twice = np.flatnonzero(rng.random(count) < rate)
    rows = np.insert(hurt.data.reshape(-1, SECTOR_SIZE), twice + 1, log.data.reshape(-1, SECTOR_SIZE)[twice], axis=0)
    again = np.zeros(count, dtype=bool)
    again[twice] = True
    return Hurt(rows.ravel(), hurt.whole | again[log.starts // SECTOR_SIZE])


KINDS = {  # what it is called: (what does it, rates, of what)
    "bits turned over": (flip_bits, (1e-6, 1e-5, 1e-4, 1e-3), "bit"),
    "bursts overwritten": (overwrite, (1e-6, 1e-5, 1e-4, 1e-3), "byte"),
    "bytes lost": (lose_bytes, (1e-6, 1e-5, 1e-4, 1e-3), "byte"),
    "bytes inserted": (insert_bytes, (1e-6, 1e-5, 1e-4, 1e-3), "byte"),
    "sectors swapped": (swap_sectors, (1e-3, 1e-1, 1.0), "sector"),
    "sectors repeated": (repeat_sectors, (1e-3, 1e-1, 1.0), "sector"),
}


@dataclass
class Outcome:
    """Frames that the damager left whole and hurt, and what a decoder made of them."""

    whole: int
    hurt: int
    recovered: int  # of the whole ones
    by_chance: int  # frames that were hurt and yet stand there as they were written
    wrong: int  # accepted, but never written so


def compare(log, hurt, rows_by_kind):
    """Hold a decoder's frames (structured arrays, as `ground.decode.frames.records` gives them) against the log."""
    seen, wrong = np.zeros(len(log.starts), dtype=bool), 0
    for rows in rows_by_kind:
        if len(rows) == 0:
            continue
        size = rows.dtype.itemsize
        number = rows["_t_ms"].astype(np.int64) // STEP_MS
        known = (number < len(log.starts)) & (rows["_t_ms"] % STEP_MS == 0)
        number = np.where(known, number, 0)
        known &= log.sizes[number] == size
        written = np.lib.stride_tricks.sliding_window_view(log.data, size)[log.starts[number[known]]]
        right = (np.ascontiguousarray(rows[known]).view(np.uint8).reshape(-1, size) == written).all(axis=1)
        seen[number[known][right]] = True
        wrong += len(rows) - int(right.sum())
    return Outcome(
        int(hurt.whole.sum()),
        int((~hurt.whole).sum()),
        int((seen & hurt.whole).sum()),
        int((seen & ~hurt.whole).sum()),
        wrong,
    )

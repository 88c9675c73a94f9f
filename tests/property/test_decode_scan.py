"""Whatever happens to a log, the vectorised decoder finds the very frames that the plain scanner finds."""

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ground.decode.frames.records import read, search
from ground.decode.frames.sectors import Keys, split
from ground.decode.frames.wire import KIND_TYPES
from shared_protocol import scan
from shared_protocol.crc import frame_salt
from shared_protocol.frame import decode_header
from shared_protocol.records import ECEF, EVENT, FIX, HEALTH, NOTE, POWER, PRESSURE, TEMPERATURE
from tests.ground.log_maker import LogMaker, fill_fast

LOG = LogMaker(text=True)
RNG = np.random.default_rng(4)
for BOOT_NUMBER in (1, 2):
    LOG.boot(BOOT_NUMBER)
    fill_fast(LOG, {PRESSURE: 60, TEMPERATURE: 20, POWER: 30, FIX: 6, ECEF: 4, EVENT: 3, HEALTH: 3, NOTE: 2}, RNG)
DATA = LOG.data()
SALTS = {boot: frame_salt(LOG.log_id, boot) for boot in (1, 2)}

place = st.integers(0, len(DATA))
damage = st.one_of(
    st.tuples(st.just("flip"), place, st.integers(0, 7)),
    st.tuples(st.just("burst"), place, st.binary(min_size=1, max_size=64)),
    st.tuples(st.just("lose"), place, st.integers(1, 64)),
    st.tuples(st.just("insert"), place, st.binary(min_size=1, max_size=64)),
    st.tuples(st.just("cut"), place, st.just(0)),
    st.tuples(st.just("copy sector"), place, place),
    st.tuples(st.just("blank sector"), place, st.sampled_from([0x00, 0xFF])),
)


def apply(data, steps):
    """The log after some damage."""
    data = bytearray(data)
    for kind, at, what in steps:
        if kind == "flip" and at < len(data):
            data[at] ^= 1 << what
        elif kind == "burst":
            data[at : at + len(what)] = what
        elif kind == "lose":
            del data[at : at + what]
        elif kind == "insert":
            data[at:at] = what
        elif kind == "cut":
            del data[at:]
        elif kind == "copy sector":
            begin, goal = what // 512 * 512, at // 512 * 512
            data[goal : goal + 512] = data[begin : begin + 512]
        elif kind == "blank sector":
            begin = at // 512 * 512
            size = len(data[begin : begin + 512])
            data[begin : begin + size] = bytes([what]) * size
    return bytes(data)


def plain_frames(data):
    """(offset, boot) of each frame by the plain scanner; in a sector with an intact header only that boot's."""
    found = set()
    for boot, salt in SALTS.items():
        for at, kind, *_rest in scan.frames(data, salt):
            header = decode_header(data[at // 512 * 512 :][:30])
            if kind and (header is None or header[1] == boot):
                found.add((at, boot))
    return found


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(damage, min_size=0, max_size=25))
def test_damaged_log_gives_the_frames_that_the_plain_scanner_finds(steps):
    data = apply(DATA, steps)
    keys = Keys()
    # what a lone header of a boot says stays known, however the rest is hurt: both boots are given beforehand
    for boot in SALTS:
        keys.add(LOG.log_id, boot)
    if not data:
        return
    blocks = split(np.frombuffer(data, dtype=np.uint8), keys)  # may have put its sectors back on blocks
    piece, _damage = search(blocks)
    got = {(int(at), keys.pairs[key][1]) for at, key in zip(piece.found.starts, piece.found.keys, strict=True)}
    assert got == plain_frames(bytes(blocks.data[: blocks.size]))


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=3000))
def test_no_bytes_make_the_decoder_raise_or_invent_a_frame(data):
    assert sum(len(rows) for rows in read([np.frombuffer(data, dtype=np.uint8)]).rows) == 0


@settings(max_examples=100, deadline=None)
@given(st.lists(damage, max_size=12))
def test_every_record_taken_from_a_damaged_log_is_one_that_was_written(steps):
    records = read([np.frombuffer(apply(DATA, steps), dtype=np.uint8)])
    written = {(boot, kind, seq, t) for boot, kind, seq, t, _values in LOG.frames}
    for kind, (rows, keys) in enumerate(zip(records.rows, records.row_keys, strict=True)):
        for seq, t, key in zip(rows["_seq"].tolist(), rows["_t_ms"].tolist(), keys.tolist(), strict=True):
            log_id, boot = records.keys.pairs[key]
            assert log_id == LOG.log_id and (boot, KIND_TYPES[kind], seq, t) in written
    assert len({(b, s, t) for b, _k, s, t in written}) >= sum(boot.frames for boot in records.boots)

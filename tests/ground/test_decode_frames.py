"""Frames out of damaged bytes: only what was touched is lost, nothing wrong is taken, nothing raises."""

import numpy as np
import pytest

from ground.decode.frames.records import collect, read, search
from ground.decode.frames.sectors import Keys, split
from ground.decode.frames.sequence import arrange
from ground.decode.frames.wire import KIND_TYPES
from shared_protocol import frame, scan
from shared_protocol.crc import frame_salt
from shared_protocol.records import EVENT, FIX, HEALTH, NOTE, POWER, PRESSURE, TEMPERATURE
from tests.ground.log_maker import LogMaker, fill_fast

SEED = 20310527
MIX = {PRESSURE: 8, TEMPERATURE: 4, POWER: 5, FIX: 2, EVENT: 1, HEALTH: 1, NOTE: 1}


def small_log(log_id=0x1234ABCD, boots=(1, 2), text=False, seed=SEED, mix=None):
    """A log of a few sectors with random readings."""
    log = LogMaker(log_id=log_id, text=text)
    rng = np.random.default_rng(seed)
    for boot in boots:
        log.boot(boot)
        fill_fast(log, mix or MIX, rng)
    log.flush()
    return log


def array(data):
    return np.frombuffer(bytes(data), dtype=np.uint8)


def places(data, log):
    """`(start, end)` of every data frame of an undamaged log, by the plain scanner."""
    found = []
    for boot in {entry[0] for entry in log.frames}:
        for at, kind, _seq, _t, payload in scan.frames(data, frame_salt(log.log_id, boot)):
            if kind:
                found.append((at, at + frame.OVERHEAD + len(payload)))
    return sorted(found)


def read_frames(data):
    """`(log_id, boot, type, seq, t_ms, payload)` of every frame that the decoder takes, sorted."""
    records = read([array(data)])
    return sorted(frames_of(records))


def frames_of(records):
    for kind, (rows, keys) in enumerate(zip(records.rows, records.row_keys, strict=True)):
        raw = rows.view(np.uint8).reshape(len(rows), rows.itemsize)
        for n in range(len(rows)):
            log_id, boot = records.keys.pairs[keys[n]]
            payload = raw[n, frame.PREFIX_SIZE : -frame.CRC_SIZE].tobytes()
            yield log_id, boot, KIND_TYPES[kind], int(rows["_seq"][n]), int(rows["_t_ms"][n]), payload


def test_undamaged_log_gives_every_record_in_order_with_its_values():
    log = small_log(text=True)
    records = read([array(log.data())])
    got = sorted(frames_of(records), key=lambda f: (f[1], f[3]))
    assert [(boot, kind, seq, t) for _log, boot, kind, seq, t, _payload in got] == [entry[:4] for entry in log.frames]
    rows = records.rows[KIND_TYPES.index(PRESSURE)]
    wanted = [entry[4] for entry in log.frames if entry[1] == PRESSURE]
    assert [(row["sensor"], row["flags"], row["d1"], row["d2"]) for row in rows] == wanted
    assert all(boot.missing == boot.duplicate == 0 for boot in records.boots)
    assert not records.pieces[0].damage.bad_block.any()


def test_every_single_bit_flip_loses_at_most_the_frame_touched():
    """Exhaustive. Many damaged copies stand side by side, so that one search looks at all of them."""
    log = small_log()
    data = log.data()
    whole = places(data, log)
    size, copies = len(data), 512
    starts = np.array([start for start, _end in whole])
    ends = np.array([end for _start, end in whole])
    for first in range(0, size * 8, copies):
        many = np.tile(array(data), copies)
        bits = first + np.arange(copies)
        many[np.arange(copies) * size + bits // 8] ^= (1 << (bits % 8)).astype(np.uint8)
        piece, _damage = search(split(many, Keys()))
        for copy in range(copies):
            low, high = np.searchsorted(piece.found.starts, [copy * size, (copy + 1) * size])
            got = piece.found.starts[low:high] - copy * size
            touched = bits[copy] // 8
            intact = starts[(ends <= touched) | (starts > touched)]
            assert np.array_equal(got, intact), f"bit {bits[copy]}"


def test_flip_in_a_header_costs_no_reading_even_if_the_boot_wrote_one_sector_only():
    log = small_log(boots=(4, 5), mix={PRESSURE: 5})
    data = log.data()
    whole = read_frames(data)
    sectors = [n for n, sector in enumerate(log.sectors) if sector]
    assert len(sectors) == 2
    for sector in sectors:
        for bit in range(frame.HEADER_SIZE * 8):
            hurt = bytearray(data)
            hurt[sector * 512 + bit // 8] ^= 1 << bit % 8
            assert read_frames(hurt) == whole, f"sector {sector}, bit {bit}"


def test_every_truncation_loses_only_frames_that_are_cut_off():
    log = small_log(boots=(1,), mix={PRESSURE: 14, TEMPERATURE: 6, FIX: 3})
    data = log.data()
    whole = read_frames(data)
    ends = [end for _start, end in places(data, log)]
    by_place = sorted(whole, key=lambda f: f[3])
    for size in range(len(data)):
        got = read_frames(data[:size]) if size else []
        count = sum(end <= size for end in ends)
        if size >= frame.HEADER_SIZE:  # with less there is no way to know whose log it is
            assert sorted(by_place[:count]) == got, f"cut at {size}"


@pytest.mark.parametrize("split_at", [64, 128, 256, 384, 448])
def test_torn_sectors_over_an_older_flight_give_no_old_frame_to_the_new_one(split_at):
    old = small_log(log_id=0x0DDF1A7E, boots=(7,), seed=1, mix={PRESSURE: 400, POWER: 200})
    new = small_log(log_id=0x5EED0001, boots=(8,), seed=2, mix={PRESSURE: 400, POWER: 200})
    old_data, new_data = old.data(), new.data()
    size = min(len(old_data), len(new_data))
    torn = bytearray(old_data[:size])
    for at in range(0, size, 512):
        torn[at : at + split_at] = new_data[at : at + split_at]
    new_frames = set(read_frames(new_data))
    got = read_frames(torn)
    assert all(entry[0] == new.log_id and entry in new_frames for entry in got)
    ends = [end for _start, end in places(new_data, new)]
    assert len(got) == sum(end % 512 <= split_at and end % 512 > 0 and end <= size for end in ends)


def test_torn_sector_gives_no_old_frame_to_the_new_flight_even_if_the_old_flight_is_known():
    """The old flight's salt is known from its whole sectors, and still does not count below the new flight's header."""
    old = small_log(log_id=11, boots=(1, 2), seed=1, mix={PRESSURE: 100})
    new = small_log(log_id=22, boots=(2,), seed=2, mix={PRESSURE: 100})
    old_data, new_data = old.data(), new.data()
    at = 512 * 2
    torn = new_data[at : at + 200] + old_data[at + 200 : at + 512]
    got = read_frames(new_data[:at] + torn + old_data[at + 512 :])
    assert {entry for entry in got if entry[0] == 22} <= set(read_frames(new_data))
    assert {entry for entry in got if entry[0] == 11} == set(read_frames(old_data[at + 512 :]))


def test_frame_that_runs_into_a_block_without_a_beginning_of_its_own_is_found():
    """Bytes put in front shift a full sector, so that its last frame ends in a block that holds nothing else."""
    log = small_log(boots=(1,), mix={NOTE: 8})
    sector = log.data()[:512]
    shifted = bytes(40) + sector + bytes(100 * 512)  # long stretches of nothing are not looked at closely
    assert max(end for _start, end in places(shifted, log)) > 512
    assert read_frames(shifted) == read_frames(sector)


def test_new_log_over_an_older_one_leaves_both_told_apart():
    old = small_log(log_id=11, boots=(1,), seed=1, mix={PRESSURE: 300})
    new = small_log(log_id=22, boots=(2, 3), seed=2, mix={PRESSURE: 60})
    got = read_frames(new.data(behind=old.data()))
    assert [entry for entry in got if entry[0] == 22] == read_frames(new.data())
    left = set(read_frames(old.data()))
    rest = [entry for entry in got if entry[0] == 11]
    assert rest and set(rest) < left


def test_sectors_out_of_order_repeated_or_foreign_change_nothing():
    log = small_log(boots=(1, 2), mix={PRESSURE: 200, TEMPERATURE: 50})
    foreign = small_log(log_id=99, boots=(1,), seed=5)
    whole = read_frames(log.data())
    sectors = [sector for sector in log.sectors if sector] + [sector for sector in foreign.sectors if sector]
    sectors += sectors[3:9]
    rng = np.random.default_rng(SEED)
    shuffled = b"".join(sectors[n] for n in rng.permutation(len(sectors)))
    records = read([array(shuffled)])
    assert sorted(entry for entry in frames_of(records) if entry[0] == log.log_id) == whole
    assert sum(boot.duplicate for boot in records.boots) > 0
    for boot in records.boots:
        assert boot.missing == 0
    rows, keys = records.rows[KIND_TYPES.index(PRESSURE)], records.row_keys[KIND_TYPES.index(PRESSURE)]
    for key in set(keys.tolist()):
        assert (np.diff(rows["_t_ms"][keys == key].astype(np.int64)) >= 0).all()


def test_sequence_numbers_that_wrap_are_counted_on():
    log = LogMaker(text=False)
    log.boot(1)
    for n in range(70_000):
        log.add(TEMPERATURE, n * 50, 0, 0, n % 1000)
    data = log.data()
    records = read([array(data)])
    assert records.boots[0].frames == 70_000 and records.boots[0].missing == 0
    shuffled = b"".join(reversed([data[at : at + 512] for at in range(0, len(data), 512)]))
    again = read([array(shuffled)])
    assert again.boots[0].frames == 70_000 and again.boots[0].missing == again.boots[0].duplicate == 0
    assert np.array_equal(again.rows[KIND_TYPES.index(TEMPERATURE)], records.rows[KIND_TYPES.index(TEMPERATURE)])


def test_gap_of_more_than_a_wrap_is_counted_by_the_clock():
    log = LogMaker(text=False)
    log.boot(1)
    for n in range(150_000):
        if n < 5_000 or n >= 140_000:
            log.add(TEMPERATURE, n * 50, 0, 0, 1)
        else:
            log.seq += 1
    records = read([array(log.data())])
    assert records.boots[0].frames == 15_000
    assert records.boots[0].missing == 135_000


def test_lost_frames_are_missing_and_their_gap_is_named():
    log = small_log(boots=(1,), mix={PRESSURE: 200})
    sectors = list(log.sectors)
    lost = sectors.pop(4)
    count = sum(1 for _ in scan.frames(lost, log.salt))
    records = read([array(b"".join(sectors))])
    assert records.boots[0].missing == count
    assert records.boots[0].longest_gap_ms > 60


def test_damaged_frames_are_counted_as_bad_and_spoilt_fill_is_not():
    log = small_log(boots=(1,), mix={PRESSURE: 100, FIX: 3})
    data = bytearray(log.data())
    first = places(bytes(data), log)
    for start, _end in first[5], first[20], first[21]:
        data[start + 12] ^= 0x40
    fill = next(at for at in range(len(data) - 1, 0, -512) if data[at] == 0xFF)
    data[fill] ^= 1
    damage = read([array(data)]).pieces[0].damage
    assert damage.frames_bad.sum() == 3
    assert damage.bad_block.sum() == len({first[5][0] // 512, first[20][0] // 512, first[21][0] // 512, fill // 512})


def test_frames_of_an_undeclared_kind_are_counted_and_cost_nothing_else():
    log = small_log(boots=(1,), mix={PRESSURE: 10})
    sector = bytearray(log.data()[:512])
    start = places(bytes(sector), log)[-1][1]
    from zlib import crc32

    for record_type in (0xEE, 0xEF):
        body = b"\xa5\x5a" + bytes([record_type, 8]) + bytes(14)
        sector[start : start + 22] = body + crc32(body, log.salt).to_bytes(4, "little")
        start += 22
    records = read([array(sector)])
    assert len(list(frames_of(records))) == 10
    assert records.pieces[0].damage.unknown == {(0, 0xEE, 8): 1, (0, 0xEF, 8): 1}
    assert records.pieces[0].damage.frames_bad.sum() == 0


def test_frame_inside_another_frame_is_not_taken():
    log = LogMaker(text=False)
    log.boot(1)
    inner = frame.encode(TEMPERATURE, 77, 5, (1, 0, 99), log.salt)
    log.add(NOTE, 1, 0, 0, inner)
    log.add(TEMPERATURE, 2, 0, 0, 5)
    assert [entry[2] for entry in read_frames(log.data())] == [TEMPERATURE, NOTE]


def test_several_pieces_are_read_as_one():
    log = small_log(mix={PRESSURE: 200})
    data = log.data()
    cut = len(data) // 1024 * 512
    records = read([array(data[cut:]), array(data[:cut]), array(data[1024:2048])])
    assert sorted(frames_of(records)) == read_frames(data)
    assert sum(boot.duplicate for boot in records.boots) > 0


def test_no_bytes_at_all_are_no_frames():
    assert read([array(b"")]).boots == []
    assert collect([], Keys()).boots == []
    assert read([array(bytes(5000))]).boots == []


@pytest.mark.parametrize("days", [10, 60, 110])
def test_a_clock_that_wraps_after_49_days_makes_no_records_missing(days):
    numbers = np.arange(days * 8640)
    times = numbers * 10_000
    kept = np.delete(numbers, np.s_[len(numbers) * 9 // 10 : len(numbers) * 9 // 10 + 7])
    kept = np.concatenate([kept[:100], kept[50:]])  # some of them twice, so that all have to be put in order
    sequence = arrange(kept.astype(np.uint16), times[kept].astype(np.uint32))
    assert (sequence.missing, sequence.duplicate) == (7, 50)
    assert np.array_equal(kept[sequence.order], np.unique(kept))


def test_records_before_the_first_one_are_not_guessed_over_weeks():
    numbers, times = np.arange(100, 1100), np.arange(1000) * 100
    for first_ms, missing in ((100_000, 100), (7_200_000, 100 + 65_536), (4_200_000_000, 100)):
        sequence = arrange(numbers.astype(np.uint16), (times + first_ms).astype(np.uint32))
        assert sequence.missing == missing, first_ms

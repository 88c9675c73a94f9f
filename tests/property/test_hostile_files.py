"""Whatever becomes of a file on its way to us: a parser gives a result or one printable line, ends, and stays small.

The long runs are `python -m tests.fuzz.by_mutation` and `python -m tests.fuzz.with_atheris`; what they found is below.
"""

import tracemalloc
from functools import cache

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shared_protocol.records import FIX, TEMPERATURE
from tests.fuzz.mutation import STEPS, mutate
from tests.fuzz.targets import MEMORY_MAX, TARGETS, run
from tests.ground.log_maker import LAUNCH_UTC_MS, LogMaker, fix_values

SLOW = {"log": 12, "card image": 25, "flight folder": 12}  # examples; each of these writes or reads a whole folder
steps = st.lists(
    st.tuples(st.sampled_from(STEPS), st.floats(0, 1), st.integers(0, (1 << 20) - 1)), min_size=1, max_size=8
)


@cache
def examples(name):
    return TARGETS[name].examples()


@pytest.mark.parametrize("name", TARGETS)
def test_valid_files_are_read(name, tmp_path):
    for n, data in enumerate(examples(name)):
        own = tmp_path / f"{n}"
        own.mkdir()
        TARGETS[name].parse(data, own) if name not in ("log", "card image") else run(name, data)


@pytest.mark.parametrize("name", TARGETS)
def test_a_changed_file_is_read_or_refused_in_one_line(name):
    @settings(max_examples=SLOW.get(name, 60), deadline=None, suppress_health_check=list(HealthCheck))
    @given(st.integers(0, 99), steps)
    def check(which, steps):
        data = examples(name)[which % len(examples(name))]
        for step, at, choice in steps:
            data = mutate(data, step, at, choice)
        run(name, data)

    check()


DEEP = {
    "settings": b"contact = " + b"[" * 5000,
    "scenario": b"x = " + b"{a=" * 5000,
    "bench plan": b"x = " + b"[" * 5000,
    "bench record": b'{"calibration_points":' * 5000,
    "settings on the board": b"[" * 100_000,
    "flight folder": b"integrity.json\0" + b'{"notes":' * 5000,
}


@pytest.mark.parametrize("name", DEEP)
def test_a_file_nested_deeper_than_the_stack_is_refused_in_one_line(name):
    run(name, DEEP[name])


@pytest.mark.parametrize("name", ["settings", "scenario", "bench plan"])
def test_a_number_of_five_thousand_digits_is_refused_in_one_line(name):
    run(name, b"log_size_mib = " + b"9" * 5000)


def huge_claims():
    """Files that claim to be far larger than they are."""
    fat, _partitioned, exfat, littlefs = (bytearray(data) for data in examples("card image"))
    fat[17:19] = b"\xff\xff"  # entries of the root directory
    fat[22:24] = b"\xff\xff"  # sectors of a FAT
    exfat[109] = 16  # sectors of a cluster, as a power of two
    littlefs[28:32] = b"\xff\xff\xff\x7f"  # blocks
    return {"file names": [fat, exfat], "flash dump": [littlefs], "card image": [fat, exfat, littlefs]}


@pytest.mark.parametrize("name", ["file names", "flash dump", "card image"])
def test_a_file_that_claims_to_be_huge_takes_no_more_memory_than_stated(name):
    for data in huge_claims()[name]:
        run(name, data)  # what is imported and kept is no matter
        tracemalloc.start()
        try:
            run(name, data)
            assert tracemalloc.get_traced_memory()[1] <= MEMORY_MAX
        finally:
            tracemalloc.stop()


@pytest.mark.parametrize(
    "name", ["log", "settings", "scenario", "sounding", "receiver", "recorded receiver", "flash dump"]
)
@pytest.mark.parametrize(
    "pattern", [b"\0", b"\xff", b"\xa5\x5a\x04\x0a", b"\xb5\x62\x01\x07\x5c\x00", b"$GNRMC,", b"a=1\n"]
)
def test_a_file_of_one_pattern_takes_no_more_memory_than_stated(name, pattern):
    data = pattern * ((1 << (14 if "receiver" in name else 18)) // len(pattern))
    tracemalloc.start()
    try:
        run(name, data)
        assert tracemalloc.get_traced_memory()[1] <= MEMORY_MAX
    finally:
        tracemalloc.stop()


def test_a_log_whose_clock_claims_years_takes_no_more_memory_than_stated(tmp_path):
    log = LogMaker(log_id=5, text=False)
    for boot in range(1, 40):
        log.boot(boot)
        for t_ms in (0, 1000, 2**31, 2**32 - 2000):
            log.add(FIX, t_ms, *fix_values(LAUNCH_UTC_MS + boot * 2**32 + t_ms, 51.2, 7.1, 214.0))
            log.add(TEMPERATURE, t_ms, 0, 0, 320)
    run("log", LogMaker(log_id=6).data() or b"x")  # what is imported and kept is no matter
    tracemalloc.start()
    try:
        run("log", log.data())
        assert tracemalloc.get_traced_memory()[1] <= MEMORY_MAX
    finally:
        tracemalloc.stop()

"""Every parser of a file or a stream from outside, as a function of some bytes, with valid examples to begin from.

A target may raise `InputError` with one printable line and nothing else. `run` enforces that, and that it ends. Used by
tests/property/test_hostile_files.py (short), by_mutation.py and with_atheris.py (long).
"""

import base64
import json
import signal
import struct
import tempfile
from collections.abc import Callable
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import numpy as np

from ground.errors import InputError

DATA = Path(__file__).parents[1] / "data"
SECONDS_MAX = 60  # far beyond what any of them takes: only a hang gets there
MEMORY_MAX = 192 << 20  # bytes that a parser of a hostile file of up to 1 MiB may hold at once


class Target(NamedTuple):
    """`examples()` gives valid inputs; `parse(data, folder)` reads one, by way of a file in `folder` where need be."""

    examples: Callable
    parse: Callable


class Hung(Exception):
    """A parser took longer than SECONDS_MAX."""


def run(name, data):
    """Parse; anything but a result or a good InputError is raised."""
    with tempfile.TemporaryDirectory() as folder, _at_most(SECONDS_MAX):
        try:
            TARGETS[name].parse(bytes(data), Path(folder))
        except InputError as error:
            text = str(error)
            assert text and text.isprintable(), f"not one printable line: {text!r}"


@contextmanager
def _at_most(seconds):
    def stop(_number, _frame):
        raise Hung

    before = signal.signal(signal.SIGALRM, stop)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def _file(folder, name, data):
    (folder / name).write_bytes(data)
    return folder / name


# --- logs and images -------------------------------------------------------------------------------------------------


def _log():
    from shared_protocol.records import BOOT, EVENT, FIX, NOTE, POWER, PRESSURE, PRESSURE_CAL, PROBE, TEMPERATURE
    from tests.ground.log_maker import LogMaker, fill_fast, fix_values, prom_with_crc

    log = LogMaker(log_id=77)
    for number in (1, 2):
        log.boot(number)
        log.add(BOOT, 5, 0x0102, 1, 0, 0xC0FFEE, 0, b"board-01")
        log.add(PRESSURE_CAL, 6, 0, 1, *prom_with_crc())
        log.add(PROBE, 7, 0, 2, bytes.fromhex("28ff641e0f5a0001"), b"outside")
        log.add(FIX, 900, *fix_values(1_937_640_600_000, 51.2, 7.1, 214.0))
        log.add(NOTE, 950, 0, 0, b"<script>alert(1)</script>\x1b[31m=1+1")
        counts = {PRESSURE: 20, POWER: 10, TEMPERATURE: 5, EVENT: 2}
        fill_fast(log, counts, np.random.default_rng(number))
    return log.data()


def _capture():
    return b"boot\r\n" + b"battery 3.9 V\r\n".join(_log()[n : n + 100] for n in range(0, 4096, 100))


def _changed_logs():
    """The log without any header, in text mode, as UTF-16, in base64 and with its bytes swapped."""
    log = _log()
    bare = b"".join(log[at + 30 : at + 512] for at in range(0, len(log), 512))
    swapped = np.frombuffer(log, "<u2").byteswap().tobytes()
    return [bare, log.replace(b"\n", b"\r\n"), log.decode("latin-1").encode("utf-16"), base64.encodebytes(log), swapped]


def _dumps():
    """The same as UF2 and as text, short: each line is a chance of its own."""
    from tests.ground.hurt_flash import uf2

    flash = _log()[-4096:]
    lines = (f"{at:08x}: {flash[at : at + 16].hex(' ', 2)}\n" for at in range(0, len(flash), 16))
    of_intel = (_intel_line(at, flash[at : at + 16]) for at in range(0, len(flash), 16))
    return [uf2(flash), "".join(lines).encode(), b"".join(of_intel)]


def _intel_line(at, piece):
    line = bytes([len(piece)]) + at.to_bytes(2, "big") + b"\0" + piece
    return b":" + (line + bytes([-sum(line) & 0xFF])).hex().encode() + b"\n"


def decode_file(data, folder):
    """From whatever file to a flight folder."""
    from ground.decode import decode

    decode(_file(folder, "card.img", data), folder / "out", format="csv")


def _fat():
    """A FAT16 boot sector, one FAT, a root directory with a log and a log's header in its first cluster."""
    boot = bytearray(512)
    struct.pack_into("<HBHBHHBH", boot, 11, 512, 1, 1, 1, 16, 64, 0xF8, 1)
    boot[510:512] = b"\x55\xaa"
    entry = b"TD000001LOG\x20".ljust(26, b"\0") + struct.pack("<HI", 2, 4096)
    return bytes(boot) + bytes(512) + entry.ljust(512, b"\0") + _log()[:4096]


def _partitioned():
    table = bytearray(512)
    struct.pack_into("<8BII", table, 446, 0, 0, 0, 0, 6, 0, 0, 0, 1, 64)
    table[510:512] = b"\x55\xaa"
    return bytes(table) + _fat()


def _exfat():
    boot = bytearray(512)
    boot[3:11] = b"EXFAT   "
    struct.pack_into("<III", boot, 88, 2, 8, 2)
    boot[108:110] = bytes([9, 0])
    boot[510:512] = b"\x55\xaa"
    name = "TD000001.LOG"
    entries = struct.pack("<BBHH", 0x85, 2, 0, 0x20).ljust(32, b"\0")
    entries += struct.pack("<BBBBHHQIIQ", 0xC0, 3, 0, len(name), 0, 0, 4096, 0, 3, 4096)
    entries += b"\xc1\0" + name.encode("utf-16-le").ljust(30, b"\0")
    return bytes(boot) + bytes(512) + entries.ljust(512, b"\0") + _log()[:4096]


def file_names(data, folder):
    """Names out of a FAT or an exFAT."""
    from ground.decode.salvage.fat_names import log_files
    from ground.decode.salvage.source import LOG_NAME

    for file in log_files(_file(folder, "card.img", data), LOG_NAME):
        assert LOG_NAME.fullmatch(file["name"])


def _littlefs():
    """A superblock and one file of five blocks of 128 bytes, as a CTZ skip-list."""
    size, count = 128, 16
    super_block = bytearray(b"\xff" * size)
    super_block[8:16] = b"littlefs"
    struct.pack_into("<II", super_block, 24, size, count)
    blocks, body = [bytes(super_block), b"\xff" * size], _log()
    for n in range(count - 2):
        words = [2 + n - (1 << j) for j in range((n & -n).bit_length() if n else 0)]
        blocks.append((struct.pack(f"<{len(words)}I", *words) + body[n * size :])[:size])
    return b"".join(blocks)


def flash_dump(data, _folder):
    """littlefs put together again."""
    from ground.decode.salvage import littlefs

    array = np.frombuffer(data, dtype=np.uint8)
    found = littlefs.contents(array)
    if found:
        streams, _taken = found
        assert sum(len(stream) for stream in streams) <= 8 * len(data) + 512 * len(streams)


# --- texts that a person writes --------------------------------------------------------------------------------------


def settings_file(data, folder):
    """The board's settings."""
    from ground.settings import board_json, load_settings

    board_json(load_settings(_file(folder, "settings.toml", data)))


def scenario_file(data, folder):
    """A scenario."""
    from ground.simulator.scenario import load_scenario

    load_scenario(_file(folder, "scenario.toml", data))


def sounding_file(data, folder):
    """A sounding."""
    from ground.simulator.sounding import load_sounding

    load_sounding(_file(folder, "sounding.csv", data))


def plan_file(data, folder):
    """The bench's plan."""
    from ground.bench.plan import load_plan

    load_plan(_file(folder, "plan.toml", data))


def bench_record(data, folder):
    """A bench record that lies with a flight."""
    from ground.bench.calibrated_tables import load_calibrations

    load_calibrations(_file(folder, "bench.json", data))


def _record():
    point = {"quantity": "pressure", "identity": "28ff", "read": 1001.0, "reference": 1000.0, "uncertainty": 0.5,
             "how": "a barometer beside it", "utc": "2031-05-27T07:30:00Z"}  # fmt: skip
    return json.dumps({"kind": "bench", "calibration_points": [point]}).encode()


def board_settings(data, _folder):
    """settings.json on the board: whatever it holds, every key has a usable value."""
    from firmware.core.settings import CHOICES, NUMBERS, Settings

    settings = Settings(data)
    for key, (_default, low, high) in NUMBERS.items():
        assert type(settings[key]) is int and low <= settings[key] <= high
    for key, choices in CHOICES.items():
        assert settings[key] in choices


# --- a receiver's bytes ----------------------------------------------------------------------------------------------


def _streams():
    return [
        path.read_bytes()[:3000]
        for path in sorted((DATA / "gnss").iterdir())
        if path.suffix in (".ubx", ".nmea", ".bin")
    ]


def receiver_bytes(data, _folder):
    """The firmware's parser and what it makes of the messages."""
    from firmware.core.gnss_epoch import EpochBuilder
    from firmware.core.gnss_parser import GnssParser

    parser = GnssParser()
    epochs = EpochBuilder(parser)
    for at in range(0, len(data), 64):
        piece = data[at : at + 64]
        parser.feed(piece, len(piece), at)
        for _turn in range(200):
            kind = parser.next()
            if not kind:
                break
            epochs.take(kind) or epochs.take(kind)
            parser.done()
    epochs.finish()


def recorded_stream(data, folder):
    """A recording that the virtual receiver plays."""
    from ground.simulator.gnss_stream import read_stream, schedule, split_epochs

    schedule(*_first_two(split_epochs, read_stream(_file(folder, "stream.ubx", data))))


def _first_two(split, data):
    ends = split(data)
    return data, ends, 9600


# --- the line to a board on the bench ---------------------------------------------------------------------------------


def board_line(data, _folder):
    """Raw bytes, and frames whose CRC holds while their payload says anything: what the bench makes of them."""
    from binascii import crc32

    from ground.bench.hello import hello_of, named
    from ground.bench.link import LINK_SIZES
    from ground.bench.link_frames import FrameStore, tables_of
    from shared_protocol import link
    from shared_protocol.frame import PREFIX, SYNC

    kinds, at, signed = sorted(LINK_SIZES), 0, bytearray(data)
    while at + 7 < len(data):
        kind = kinds[data[at] % len(kinds)]
        payload = data[at + 7 : at + 7 + LINK_SIZES[kind]].ljust(LINK_SIZES[kind], b"\0")
        number, t_ms = struct.unpack_from("<HI", data, at + 1)
        body = struct.pack(PREFIX, SYNC, kind, len(payload), number, t_ms) + payload
        signed += body + struct.pack("<I", crc32(body, 0))
        at += 7 + len(payload)
    splitter, store = link.Splitter(LINK_SIZES, (0,)), FrameStore()
    store.begin_boot(1)
    for begin in range(0, len(signed), 100):
        for kind, number, t_ms, payload, _place in splitter.feed(bytes(signed[begin : begin + 100])):
            if kind == link.HELLO:
                store.begin_boot(hello_of(payload).boot)
            elif kind in (link.REPLY, link.STATUS):
                named(kind, payload)
            else:
                store.add(kind, number, t_ms, payload)
    tables_of(store.sectors())


# --- a flight folder, as others may hand it on -----------------------------------------------------------------------


def _flight_folder_files():
    from ground.decode import decode

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        decode(_file(folder, "TD000001.LOG", _log()), folder / "out", format="csv")
        return {
            path.relative_to(folder / "out").as_posix(): path.read_bytes() for path in (folder / "out").rglob("*.*")
        }


_FILES: dict = {}


def _flight_examples():
    """One file after the other, its name in front: a folder in which that one was replaced."""
    _FILES.update(_FILES or _flight_folder_files())
    return [name.encode() + b"\0" + data for name, data in sorted(_FILES.items()) if len(data) < 1 << 16]


def flight_folder(data, folder):
    """What the report reads of a flight folder."""
    from ground.report.folder import load_folder

    _flight_examples()
    for name, good in _FILES.items():
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_bytes(good)
    name, _zero, body = data.partition(b"\0")
    if name.decode("ascii", "replace") in _FILES:
        (folder / name.decode()).write_bytes(body)
    load_folder(folder)


def _toml(*paths):
    return lambda: [Path(path).read_bytes() for path in paths]


_GROUND = Path(__file__).parents[2] / "ground"
TARGETS = {
    "log": Target(lambda: [_log(), _capture()], decode_file),
    "log changed on its way": Target(_changed_logs, decode_file),
    "dump with addresses": Target(_dumps, decode_file),
    "card image": Target(lambda: [_fat(), _partitioned(), _exfat(), _littlefs()], decode_file),
    "file names": Target(lambda: [_fat(), _partitioned(), _exfat()], file_names),
    "flash dump": Target(lambda: [_littlefs()], flash_dump),
    "settings": Target(_toml(_GROUND / "settings_default.toml"), settings_file),
    "scenario": Target(_toml(*sorted((_GROUND / "simulator" / "scenarios").glob("*.toml"))[:3]), scenario_file),
    "sounding": Target(
        lambda: [
            b"\n".join(path.read_bytes().split(b"\n")[:30]) for path in sorted((DATA / "soundings").glob("s*.csv"))
        ],
        sounding_file,
    ),
    "bench plan": Target(lambda: [__import__("ground.bench.plan", fromlist=["x"]).default_text().encode()], plan_file),
    "bench record": Target(lambda: [_record()], bench_record),
    "settings on the board": Target(lambda: [_board_json()], board_settings),
    "receiver": Target(_streams, receiver_bytes),
    "recorded receiver": Target(_streams, recorded_stream),
    "line to the board": Target(lambda: [_log()[1024:3072]], board_line),
    "flight folder": Target(_flight_examples, flight_folder),
}


def _board_json():
    from ground.settings import Settings, board_json

    return board_json(Settings()).encode()

"""Text in a log may say anything: on the terminal, in tables and as a file's name it stays text."""

import csv
import json

import pytest

from ground.cli import run
from ground.console import plain
from ground.decode.salvage.fat_names import log_files
from ground.decode.salvage.source import LOG_NAME
from shared_protocol.records import (
    BOOT,
    CHANNEL,
    EVENT,
    FIX,
    I2C_PROBE,
    NOTE,
    POWER,
    PRESSURE,
    PRESSURE_CAL,
    PROBE,
    TEMPERATURE,
)
from tests.fuzz.targets import TARGETS
from tests.ground.log_maker import LAUNCH_UTC_MS, LogMaker, fix_values, pressure_words, prom_with_crc

HOSTILE = [
    b"=cmd|' /C calc'!A0",
    b"+1+1",
    b"-2+3",
    b"@SUM(A1)",
    b"\x1b[2J\x1b]0;owned\x07",
    b"../../../tmp/evil",
    b"/etc/passwd",
    b"<script>alert(1)</script>",
    b'a,b"c\r\nd;e',
    b"\xe2\x80\xae\xff\x00hidden",
    b"%s%n{{7*7}}${x}`id`",
]


def hostile_log():
    log = LogMaker(log_id=99)
    log.boot(1)
    for n, text in enumerate(HOSTILE):
        log.add(BOOT, 5, 0x0102, 1, 0, 0xC0FFEE, 0, text[:8])
        log.add(PRESSURE_CAL, 6, 0, 1, *prom_with_crc())
        log.add(PROBE, 7 + n, n, 2, text[:8].ljust(8, b"x"), text[:8])
        log.add(I2C_PROBE, 7 + n, n, 4, 0x48, text[:8], text[-8:])
        log.add(CHANNEL, 9 + n, n, 3, 0x399F, 100000, text[:8])
        log.add(NOTE, 20 + n, 1, 0, text[:44])
        log.add(EVENT, 30 + n, 60000 + n, 200, 255, -1, -1)  # no code that anybody knows
        for second in range(3):
            t = 1000 * second + n
            log.add(PRESSURE, t, 0, 0, *pressure_words(1000.0 - second))
            log.add(TEMPERATURE, t, n, 0, 320)
            log.add(POWER, t, n, 0, 1250 << 3 | 2, 400)
            log.add(FIX, t, *fix_values(LAUNCH_UTC_MS + t, 51.2, 7.1, 214.0 + second))
    return log.data()


@pytest.fixture(scope="module")
def decoded(tmp_path_factory):
    home = tmp_path_factory.mktemp("home")
    (home / "TD000001.LOG").write_bytes(hostile_log())
    assert run(["decode", str(home / "TD000001.LOG"), "-o", str(home / "out"), "--format", "csv"]) == 0
    return home


def test_no_cell_is_a_formula_and_no_control_character_is_written(decoded):
    texts = 0
    for path in decoded.rglob("*.csv"):
        content = path.read_text(encoding="utf-8")
        assert all(ch.isprintable() or ch == "\n" for ch in content), path
        for row in csv.reader(content.splitlines()):
            for cell in row:
                if cell[:1] in ("=", "+", "-", "@"):
                    float(cell)  # a number may begin with a sign; whatever else does is a formula
                texts += cell.startswith("'=cmd")
    assert texts  # the note did arrive


def test_files_have_the_names_that_we_give_them_and_lie_where_we_put_them(decoded):
    names = {path.relative_to(decoded).as_posix() for path in decoded.rglob("*") if path.is_file()}
    ours = {"TD000001.LOG", "out/flight.csv", "out/integrity.json", "out/results.json"}
    assert ours <= names
    others = names - ours
    assert all(name.startswith("out/tables/") and name[11:-4].isidentifier() for name in others), others


def test_the_account_is_json_of_printable_text(decoded):
    def check(value):
        if isinstance(value, dict):
            for key, inner in value.items():
                check(key)
                check(inner)
        elif isinstance(value, list):
            for inner in value:
                check(inner)
        elif isinstance(value, str):
            assert value.isprintable()

    check(json.loads((decoded / "out" / "integrity.json").read_text(encoding="utf-8")))


def test_nothing_on_the_terminal_can_move_its_cursor(decoded, capsys):
    capsys.readouterr()
    assert run(["decode", str(decoded / "TD000001.LOG"), "-o", str(decoded / "again")]) == 0
    said = capsys.readouterr()
    assert said.out and all(ch.isprintable() or ch == "\n" for ch in said.out + said.err)


def test_a_file_name_of_control_characters_is_spelt_out(tmp_path, capsys):
    path = tmp_path / "\x1b[31mred\u202e.img"
    assert run(["decode", str(path), "-o", str(tmp_path / "out")]) == 1
    said = capsys.readouterr().err
    assert "\\x1b[31mred\\u202e.img" in said and said.count("\n") == 1
    assert all(ch.isprintable() for ch in said.strip("\n"))


def test_plain_text_passes_as_it_is():
    assert plain("21.5 \u00b0C, 3 \u00d7 4\nnext line") == "21.5 \u00b0C, 3 \u00d7 4\nnext line"


def test_a_log_on_a_card_is_named_with_plain_digits_only(tmp_path):
    exfat = bytearray(TARGETS["file names"].examples()[2])
    (tmp_path / "card.img").write_bytes(exfat)
    assert [file["name"] for file in log_files(tmp_path / "card.img", LOG_NAME)] == ["TD000001.LOG"]
    other = exfat.replace("TD00".encode("utf-16-le"), "TD\u0660\u0660".encode("utf-16-le"))  # Arabic digits
    assert other != exfat
    (tmp_path / "card.img").write_bytes(other)
    assert log_files(tmp_path / "card.img", LOG_NAME) == []

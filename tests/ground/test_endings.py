"""A copy that was cut at a sector's border: told by the card's own boot sector or partition table, or by the log."""

import random

import pytest

from ground.decode import decode
from ground.decode.salvage.volume_size import claimed_size
from ground.errors import InputError
from shared_protocol import events
from shared_protocol.records import EVENT
from tests.ground import hurt_cards
from tests.ground.log_maker import LogMaker, flight_profile, log_flight
from tests.ground.test_decode_sources import refusal

ROOM = 1 << 20


# What sfdisk (util-linux 2.38.1) wrote on a 64 MiB file for "start=2048, size=40960" and "start=43008, size=20480":
# bytes 446 on of the first sector, and the first 92 bytes of the second.
SFDISK = {
    "dos": (
        "0020210083ac2a020008000000a0000000ac2b0283f22f0300a8000000500000",
        "",
    ),
    "gpt": (
        "00000200eeffffff01000000ffff0100",
        "4546492050415254000001005c00000032de4400000000000100000000000000ffff0100000000000008000000000000deff0100000000"
        "00111111112222333344445555555555550200000000000000800000008000000066abcf47",
    ),
}


class Armed(LogMaker):
    """A log whose board says with how many sectors it made the file."""

    room = ROOM // 512

    def boot(self, number):
        super().boot(number)
        self.add(EVENT, 0, events.LOG_ARMED, events.CARD, 0, 1, self.room)


def flown(maker=Armed, room=ROOM // 512):
    log = maker(log_id=6)
    log.room = room
    return log_flight(log, flight_profile(wait_s=20, top_m=700.0, rest_s=30))


LOG = flown()
KINDS = (hurt_cards.fat12, hurt_cards.fat16, hurt_cards.fat32, hurt_cards.whole_disk, hurt_cards.exfat)


def cut(path, size):
    with open(path, "r+b") as handle:
        handle.truncate(size)
    return path


def notes(path, tmp_path):
    return decode(path, tmp_path / "out").integrity


def ends(account):
    return [note for note in account["notes"] if " ends " in note]


@pytest.mark.parametrize("kind", KINDS)
def test_whole_image_ends_where_its_card_does(tmp_path, kind):
    image = kind(tmp_path, LOG.data(ROOM), None)
    account = notes(image, tmp_path)
    assert ends(account) == account["ends_early"] == [] and not account["cut_short"]
    assert claimed_size(image)[0] <= image.stat().st_size


@pytest.mark.parametrize("kind", KINDS)
def test_image_cut_in_the_log_says_how_much_is_gone_and_that_the_log_went_on(tmp_path, kind):
    image = kind(tmp_path, LOG.data(ROOM), None)
    at, whole = image.read_bytes().find(LOG.data()[:512]), claimed_size(image)[0]
    cut(image, at + len(LOG.data()) // 2 // 512 * 512)
    account = notes(image, tmp_path)
    (said,) = ends(account)
    gone = (whole - image.stat().st_size) / 1e6
    by = "partition table" if kind is hurt_cards.whole_disk else "boot sector"
    assert said.startswith(f"card.img ends {gone:.1f} MB before its card does, by its own {by}: it was cut short")
    assert "the log goes on up to the cut, 2031-05-27 0" in said and "no landing in it" in said
    assert "copy the whole card again" in said
    (one,) = account["ends_early"]
    assert one["missing_bytes"] == whole - image.stat().st_size and one["log_goes_on"] and one["last_utc"]
    assert account["cut_short"]


@pytest.mark.parametrize("kind", KINDS)
def test_image_cut_behind_the_log_says_that_the_log_is_in_it(tmp_path, kind):
    image = kind(tmp_path, LOG.data(ROOM), None)
    at = image.read_bytes().find(LOG.data()[:512])
    account = notes(cut(image, at + ROOM), tmp_path)
    (said,) = ends(account)
    assert "the log ends before that" in said and "no landing" not in said
    assert not account["cut_short"] and not account["ends_early"][0]["log_goes_on"]


@pytest.mark.parametrize("kind", (hurt_cards.fat32, hurt_cards.exfat))
def test_copy_of_the_boot_sector_serves_where_the_first_is_wrecked(tmp_path, kind):
    image = kind(tmp_path, LOG.data(ROOM), None)
    whole = claimed_size(image)
    hurt_cards._write(image, 0, bytes(512))
    assert claimed_size(image) == whole


def test_image_cut_before_the_log_says_so_instead_of_not_finding_one(tmp_path):
    image = cut(hurt_cards.fat32(tmp_path, LOG.data(ROOM), None), 200 * 1024)
    said = refusal(image, tmp_path / "out")
    assert "no Thistledown log in it; the image ends 41.7 MB before its card does, by its own boot sector" in said
    assert "copy the whole card again" in said


@pytest.mark.parametrize("label", SFDISK)
def test_partition_tables_of_another_tool_are_read(tmp_path, label):
    image = hurt_cards._sparse(tmp_path / "card.img", 1024)
    entries, header = (bytes.fromhex(text) for text in SFDISK[label])
    hurt_cards._write(image, 446, entries.ljust(64, b"\0") + b"\x55\xaa" + header)
    assert claimed_size(image) == (64 << 20 if label == "gpt" else 63488 * 512, "partition table")
    if label == "gpt":
        hurt_cards._write(image, 512 + 32, b"\x01")  # fails the header's own CRC: then nothing is sure
        assert claimed_size(image) is None


def test_bytes_by_chance_claim_nothing(tmp_path):
    for seed in range(300):
        data = bytearray(random.Random(seed).randbytes(8192))
        data[510:512] = b"\x55\xaa"
        data[0] = 0xEB
        (tmp_path / "x").write_bytes(data)
        assert claimed_size(tmp_path / "x") is None, seed


def test_log_file_cut_in_the_flight_is_told_from_what_the_board_said_of_it(tmp_path):
    path = tmp_path / "TD000001.LOG"
    path.write_bytes(LOG.data())
    account = notes(path, tmp_path)
    (said,) = ends(account)
    assert "before the file that the board made, by the log's own word" in said and "the landing is in it" in said
    assert account["cut_short"] and account["ends_early"][0]["missing_bytes"] == ROOM - len(LOG.data())


@pytest.mark.parametrize("room", [0, 8 * 512, 100 * 512])
def test_log_file_of_its_full_size_or_without_its_empty_end_is_whole(tmp_path, room):
    path = tmp_path / "TD000001.LOG"
    log = flown(room=ROOM // 512 if room else len(LOG.data()) // 512)
    path.write_bytes(log.data() + bytes(room))
    assert ends(notes(path, tmp_path)) == []


def test_log_of_which_nothing_says_how_long_it_should_be_is_not_called_short(tmp_path):
    path = tmp_path / "TD000001.LOG"
    path.write_bytes(flown(LogMaker).data())
    account = notes(path, tmp_path)
    assert account["notes"] == [] and not account["cut_short"]


def test_only_the_cut_one_of_two_images_is_named(tmp_path):
    whole, short = tmp_path / "a", tmp_path / "b"
    for folder in (whole, short):
        folder.mkdir()
        hurt_cards.fat32(folder, LOG.data(ROOM), None)
    image = short / "card.img"
    at = image.read_bytes().find(LOG.data()[:512])
    image.rename(short / "half.img")
    cut(short / "half.img", at + 50 * 512)
    account = decode([whole / "card.img", short / "half.img"], tmp_path / "out").integrity
    assert [one["name"] for one in account["ends_early"]] == ["half.img"]


def test_image_without_a_log_that_is_whole_keeps_its_plain_refusal(tmp_path):
    image = hurt_cards.fat(tmp_path, None, kind=32)
    with pytest.raises(InputError) as caught:
        decode(image, tmp_path / "out")
    assert "ends" not in str(caught.value)

"""How a recording is cut into epochs and timed: nothing lost, nothing doubled, one burst for each second."""

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyubx2 import UBXMessage

from ground.errors import InputError
from ground.simulator.gnss_stream import _Sums, read_stream, schedule, split_epochs

DATA = Path(__file__).parent.parent / "data" / "gnss"
STREAMS = sorted(path for path in DATA.iterdir() if path.suffix in (".ubx", ".bin", ".nmea"))
BAUD = 9600


def sentence(body):
    check = 0
    for byte in body.encode():
        check ^= byte
    return f"${body}*{check:02X}\r\n".encode()


def rmc(clock):
    return sentence(f"GNRMC,{clock},A,4818.7620,N,06725.3080,E,0.1,,190926,,,A")


def gga(clock):
    return sentence(f"GNGGA,{clock},4818.7620,N,06725.3080,E,1,09,1.0,412.0,M,-36.5,M,,")


def pieces(data):
    ends = split_epochs(data)
    return [data[start:end] for start, end in zip([0, *ends], ends, strict=False)]


@pytest.mark.parametrize("path", STREAMS, ids=lambda path: path.stem)
def test_every_byte_of_a_recording_is_in_one_epoch(path):
    data = path.read_bytes()
    assert b"".join(pieces(data)) == data
    assert all(pieces(data))


@pytest.mark.parametrize("path", STREAMS, ids=lambda path: path.stem)
def test_an_epoch_holds_each_position_message_at_most_once(path):
    """By the list of messages that came with the recording, made by other decoders."""
    ends = split_epochs(path.read_bytes())
    with open(path.with_suffix(".fixes.csv"), encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    seen = set()
    for row in rows:
        epoch = next(index for index, end in enumerate(ends) if int(row["byte_offset"]) < end)
        assert (epoch, row["source"]) not in seen
        seen.add((epoch, row["source"]))


@pytest.mark.parametrize(("name", "count"), [("s1_ubx_m8_pvt.ubx", 24), ("s2_mixed_ubx_nmea_m8.bin", 8),
                                             ("s5_nmea_m8_noise_at_start.nmea", 72)])  # fmt: skip
def test_a_receiver_at_1_hz_has_as_many_epochs_as_seconds(name, count):
    """Counted in the lists of position messages: 24 NAV-PVT, 6 RMC and two more seconds of NAV-PVT, 72 RMC."""
    assert len(split_epochs((DATA / name).read_bytes())) == count


def test_a_new_time_begins_an_epoch():
    seconds = [rmc(f"0410{k:02d}.00") + gga(f"0410{k:02d}.00") for k in range(5)]
    assert pieces(b"".join(seconds)) == seconds


def test_midnight_is_a_step_of_one_second_and_not_of_a_day():
    seconds = [rmc("235959.00") + gga("235959.00"), rmc("000000.00") + gga("000000.00")]
    assert pieces(b"".join(seconds)) == seconds


def test_without_times_a_message_that_comes_again_begins_an_epoch():
    second = sentence("GPRMC,,V,,,,,,,,,,N") + sentence("GPGGA,,,,,,0,00,99.99,,,,,,") + sentence("GPGSV,1,1,00")
    assert pieces(second * 4) == [second] * 4


def test_messages_without_a_time_stay_with_the_burst_they_lead():
    second = [sentence("GPGSA,A,1,,,,,,,,,,,,,99.99,99.99,99.99") + sentence("GPGSV,1,1,00") + gga(f"0410{k:02d}.00")
              + rmc(f"0410{k:02d}.00") for k in range(4)]  # fmt: skip
    assert pieces(b"".join(second)) == second


def test_several_sentences_of_a_kind_are_one_burst():
    gsa, gsv = sentence("GNGSA,A,3,05,,,,,,,,,,,,1.42,0.71,1.23"), sentence("GPGSV,2,1,07,05,45,120,40")
    second = [rmc(f"0410{k:02d}.00") + gsa + gsa + gsv + gsv for k in range(3)]
    assert pieces(b"".join(second)) == second


@pytest.mark.parametrize("leap_s", [18, 15])
def test_binary_and_text_of_one_second_meet(leap_s):
    def second(k):
        week_ms = (6 * 86400 + 4 * 3600 + 600 + k + leap_s) * 1000
        pvt = UBXMessage("NAV", "NAV-PVT", 0, iTOW=week_ms, year=2026, month=9, day=19, hour=4, min=10, second=k,
                         validDate=1, validTime=1, fullyResolved=1)  # fmt: skip
        position = UBXMessage("NAV", "NAV-POSLLH", 0, iTOW=week_ms)
        return pvt.serialize() + rmc(f"0410{k:02d}.00") + position.serialize() + gga(f"0410{k:02d}.00")

    seconds = [second(k) for k in range(6)]
    assert pieces(b"".join(seconds)) == seconds


@pytest.mark.parametrize("rate_hz", [1, 5, 10])
def test_faster_receivers_have_more_epochs(rate_hz):
    clocks = [f"0410{k // rate_hz:02d}.{k % rate_hz * (100 // rate_hz):02d}" for k in range(3 * rate_hz)]
    epochs = [rmc(clock) + gga(clock) for clock in clocks]
    assert pieces(b"".join(epochs)) == epochs


def test_noise_stays_with_what_was_before_it():
    first, second = rmc("041000.00"), rmc("041001.00")
    assert pieces(b"\xff\x00" + first + b"\xb5b garbage $GP" + second) == [
        b"\xff\x00" + first + b"\xb5b garbage $GP",
        second,
    ]


@given(st.binary(max_size=300), st.integers(0, 40))
def test_no_bytes_are_lost_whatever_they_are(noise, at):
    data = rmc("041000.00") + gga("041000.00")
    data = data[:at] + noise + data[at:] + rmc("041001.00")
    assert b"".join(pieces(data)) == data


def test_nothing_has_no_epochs_and_only_noise_has_one():
    assert split_epochs(b"") == []
    assert split_epochs(b"\x01\x02\x03") == [3]


def test_one_epoch_a_second_and_longer_where_it_does_not_fit():
    data = bytes(500 + 2000 + 100 + 100)
    starts_us, duration_us = schedule(data, [500, 2500, 2600, 2700], BAUD)
    assert starts_us[:2] == [0, 1_000_000]
    assert starts_us[2] == pytest.approx(1_000_000 + 2000 * 10_000_000 // BAUD, abs=2)
    assert starts_us[3] == starts_us[2] + 1_000_000
    assert duration_us == starts_us[3] + 1_000_000


@pytest.mark.parametrize("make", [lambda path: None, lambda path: path.write_bytes(b""), lambda path: path.mkdir()])
def test_a_recording_that_cannot_be_played_is_refused_in_one_line(tmp_path, make):
    path = tmp_path / "stream.nmea"
    make(path)
    with pytest.raises(InputError) as caught:
        read_stream(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


@given(st.binary(min_size=2, max_size=200), st.data())
def test_check_sums_of_any_stretch_are_those_of_adding_it_up(data, draw):
    first = draw.draw(st.integers(0, len(data)))
    last = draw.draw(st.integers(first, len(data)))
    a = b = 0
    for byte in data[first:last]:
        a = (a + byte) % 256
        b = (b + a) % 256
    assert _Sums(data).fletcher(first, last) == bytes((a, b))


def test_stream_of_false_beginnings_is_gone_through_once():
    # Each claims a message of 25 kB; adding each of them up would take ten minutes.
    data = b"\xb5\x62" * 500_000
    assert split_epochs(data) == [len(data)]

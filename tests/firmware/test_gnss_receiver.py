"""The receiver driver on a fake receiver that others' libraries speak for: configuration, restarts, the line."""

from itertools import pairwise

import pytest
from pyubx2 import GET, UBXMessage

from firmware.drivers.gnss import GnssReceiver
from shared_protocol import events
from shared_protocol.records import FIX_3D, SOURCE_NAV_PVT, SOURCE_NMEA
from tests.firmware.driver_faults import DeadBus
from tests.firmware.gnss_fake_receiver import Bench
from tests.interpreters import INTERPRETERS, run


def bench(**settings):
    return Bench(GnssReceiver, **settings)


@pytest.mark.parametrize("kind", ["m8", "m10"])
def test_a_receiver_is_identified_set_read_back_and_quieted(kind):
    box = bench(kind=kind)
    box.run(30)
    receiver = box.receiver
    assert receiver.model == 6
    assert receiver.pvt
    assert not any(receiver.nmea.values())
    assert [code for code in box.codes() if code != events.GNSS_STATE] == [
        events.GNSS_IDENTIFIED,
        events.GNSS_MODEL_SET,
    ]
    assert box.states == [events.GNSS_NO_ANSWER, events.GNSS_NO_FIX, events.GNSS_FIX]
    assert box.driver.protocol == (1800 if kind == "m8" else 3410)
    assert bytes(box.driver.version[:8]) == b"ROM CORE"
    asked = [identity for _, identity in receiver.commands]
    assert asked[0] == "MON-VER"
    unwanted = {"m8": {"CFG-VALSET", "CFG-VALGET"}, "m10": {"CFG-NAV5", "CFG-MSG"}}[kind]
    assert not unwanted & set(asked)
    assert [row[0] for row in box.rows[-10:]] == [SOURCE_NAV_PVT] * 10


@pytest.mark.parametrize("kind", ["m8", "m10", "nmea"])
def test_there_is_one_row_for_each_second_while_the_receiver_is_configured(kind):
    box = bench(kind=kind)
    box.run(120)
    times = [utc for _, fix_type, utc, _ in box.rows if fix_type == FIX_3D]
    assert times == list(range(times[0], times[0] + 1000 * len(times), 1000))
    assert len(times) >= 119


@pytest.mark.parametrize("kind", ["m8", "m10", "nmea"])
def test_commands_are_never_sent_in_a_tight_loop(kind):
    box = bench(kind=kind)
    box.run(300)
    times = [now_ms for now_ms, _ in box.receiver.commands]
    assert min(b - a for a, b in pairwise(times)) >= 200
    assert len(times) < 80


@pytest.mark.parametrize("kind", ["m8", "m10"])
def test_the_model_is_read_back_at_least_once_a_minute(kind):
    box = bench(kind=kind)
    box.run(300)
    asked = [now_ms for now_ms, identity in box.receiver.commands if identity in ("CFG-VALGET", "CFG-NAV5")]
    assert max(b - a for a, b in pairwise(asked)) <= 60000
    assert asked[-1] >= 240000
    assert box.codes().count(events.GNSS_MODEL_SET) == 1


@pytest.mark.parametrize("kind", ["m8", "m10"])
@pytest.mark.parametrize("text", [True, False])
@pytest.mark.parametrize("silence_s", [0, 1, 10])
def test_a_receiver_that_restarts_is_configured_again_within_a_minute(kind, text, silence_s):
    box = bench(kind=kind)
    box.run(40)
    box.run(silence_s, speak=False)
    box.receiver.restart(text)
    box.events.clear()
    before = len(box.rows)
    box.run(20)
    assert box.receiver.model == 6 and box.receiver.pvt
    assert not any(box.receiver.nmea.values())
    assert events.GNSS_MODEL_SET in box.codes()
    assert events.GNSS_RESTARTED in box.codes() or events.GNSS_MODEL_WRONG in box.codes()
    assert len(box.rows) - before >= 19  # and no second without a row


def test_a_model_that_changes_by_itself_is_noticed_and_set_again():
    box = bench()
    box.run(30)
    box.receiver.model = 3
    box.events.clear()
    box.run(60)
    assert box.receiver.model == 6
    assert [event[1:] for event in box.events] == [
        (events.GNSS_MODEL_WRONG, 3, 6),
        (events.GNSS_MODEL_SET, 6, 0),
    ]


def test_a_model_that_is_never_kept_is_reported_and_retried_with_growing_pauses():
    box = bench(keeps_model=0)
    box.run(300)
    wrong = [now_ms for now_ms, code, _, _ in box.events if code == events.GNSS_MODEL_WRONG]
    assert 4 <= len(wrong) <= 12
    assert wrong[-1] - wrong[-2] >= 50000
    assert events.GNSS_MODEL_SET not in box.codes()
    assert box.rows[-1][0] == SOURCE_NMEA


@pytest.mark.parametrize("kind", ["m8", "m10"])
def test_what_the_receiver_refuses_is_an_event_and_its_fixes_are_used_all_the_same(kind):
    box = bench(kind=kind, refuses={"CFG-NAV5", "CFG-VALSET"})
    box.run(200)
    assert events.GNSS_MODEL_REFUSED in box.codes()
    assert len(box.receiver.commands) < 60
    assert [row[:2] for row in box.rows[-5:]] == [(SOURCE_NMEA, FIX_3D)] * 5


def test_an_acknowledgement_that_never_comes_does_not_hide_the_answer():
    box = bench(no_ack=True)
    box.run(60)
    assert events.GNSS_NO_REPLY in box.codes()


def test_an_nmea_only_receiver_is_left_alone_but_for_a_rare_question():
    box = bench(kind="nmea")
    box.run(450)
    late = [now_ms for now_ms, _ in box.receiver.commands if now_ms > 150000]
    gaps = [b - a for a, b in pairwise(late)]
    assert any(gap >= 50000 for gap in gaps)
    assert len(late) <= 40
    replies = [a for _, code, a, _ in box.events if code == events.GNSS_NO_REPLY]
    assert replies == [1, 2, 4, 8]
    assert box.states[-1] == events.GNSS_FIX


def test_nmea_stays_when_nav_pvt_never_comes():
    box = bench(pvt_never_comes=True)
    box.run(120)
    assert all(box.receiver.nmea.values())
    assert box.receiver.model == 6
    assert [row[:2] for row in box.rows[-5:]] == [(SOURCE_NMEA, FIX_3D)] * 5


@pytest.mark.parametrize("kind", ["m8", "m10"])
def test_nmea_that_may_not_be_switched_off_is_no_sign_of_a_restart(kind):
    box = bench(kind=kind, keeps_nmea=True)
    box.run(150)
    assert box.receiver.nmea["RMC"]
    assert events.GNSS_RESTARTED not in box.codes()
    assert [row[:2] for row in box.rows[-5:]] == [(SOURCE_NAV_PVT, FIX_3D)] * 5


def test_the_answer_about_another_key_is_not_the_model():
    other = UBXMessage("CFG", "CFG-VALGET", GET, payload=b"\x01\x00\x00\x00" + bytes.fromhex("0700912001"))
    box = bench(kind="m10", strays=other.serialize(), no_ack=False)
    box.run(200)
    assert events.GNSS_MODEL_WRONG not in box.codes()
    assert events.GNSS_MODEL_SET in box.codes()


def test_a_time_that_jumps_makes_us_read_the_model_back_at_once():
    box = bench()
    box.run(30)
    box.receiver.day_ms += 3600000
    before = len(box.receiver.commands)
    box.run(3)
    assert [identity for _, identity in box.receiver.commands[before:]] == ["CFG-NAV5"]


def test_an_answer_to_us_does_not_move_the_time_of_the_epoch_that_follows():
    box = bench(mute=True)
    box.run(5.8)
    box.receiver.mute = False
    box.receiver.say(UBXMessage("ACK", "ACK-ACK", GET, payload=b"\x06\x24").serialize())  # 200 ms before the epoch
    box.receiver.pvt = True
    box.receiver.nmea = dict.fromkeys(("RMC", "GGA", "GSA", "GSV"), False)
    box.run(1)
    assert len(box.rows) == 1
    assert box.delays[0] <= 150


def test_nav_pvt_that_stops_is_switched_on_again():
    box = bench()
    box.run(30)
    box.receiver.pvt = False  # and NMEA is off as well: the worst case
    box.run(25)
    assert box.receiver.pvt


# --- the line -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("baud", [4800, 9600, 38400, 57600, 115200])
def test_a_receiver_at_another_rate_is_found(baud):
    box = bench(baud=baud, host_baud=9600 if baud != 9600 else 38400)
    box.run(60)
    assert box.receiver.host_baud == baud
    assert box.driver.state == events.GNSS_FIX
    assert box.receiver.model == 6


def test_the_rate_is_left_alone_while_there_is_no_rubbish():
    box = bench(mute=True)
    box.run(300)
    assert box.receiver.rate_changes == 0
    box = bench()
    box.run(60)
    box.receiver.mute = True
    box.run(60)
    assert box.receiver.rate_changes == 0


def test_rubbish_for_ever_ends_in_no_storm():
    box = bench(mute=True)
    changes = []
    plain = box.receiver.init
    box.receiver.init = lambda baudrate: (changes.append(box.receiver.now_ms), plain(baudrate))
    for _ in range(300):
        box.receiver.out += bytes(range(0x80, 0xD0))
        box.run(1)
    assert 5 <= len(changes) <= 30
    assert box.driver.state == events.GNSS_NO_ANSWER
    assert box.rows == []


def test_a_uart_that_fails_is_survived():
    driver = GnssReceiver(DeadBus(), 9600, 6)
    for now_ms in range(0, 60000, 100):
        driver.poll(now_ms)
    assert driver.state == events.GNSS_NO_ANSWER
    assert driver.bytes_seen == 0


def test_a_wiring_loop_that_echoes_our_commands_confirms_nothing():
    class Loop:
        def __init__(self):
            self.data = bytearray()

        def any(self):
            return len(self.data)

        def readinto(self, buf, nbytes):
            buf[:nbytes] = self.data[:nbytes]
            del self.data[:nbytes]
            return nbytes

        def write(self, data):
            self.data += data
            return len(data)

        def init(self, baudrate):
            pass

    driver = GnssReceiver(Loop(), 9600, 6)
    codes = []
    for now_ms in range(0, 120000, 100):
        driver.poll(now_ms)
        if driver.event_code:
            codes.append(driver.event_code)
            driver.event_code = 0
    assert events.GNSS_MODEL_SET not in codes
    assert events.GNSS_NO_REPLY in codes


def test_nothing_is_taken_in_while_a_row_waits():
    box = bench()
    box.run(20)
    box.driver.fix_ready = True
    before = box.driver.bytes_seen
    box.receiver.out += b"x" * 100
    box.driver.poll(box.receiver.now_ms + 50)
    assert box.driver.bytes_seen == before


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_polling_configuring_and_restarting_allocate_nothing(interpreter):
    out = run(
        """
try:
    from micropython import heap_lock, heap_unlock
except ImportError:
    def heap_lock(): pass
    heap_unlock = heap_lock
from firmware.drivers.gnss import GnssReceiver

def ubx(cls, number, payload):
    from firmware.core.gnss_commands import message
    return message(cls, number, payload)

def line(body):
    x = 0
    for c in body: x ^= c
    return b"$" + body + b"*%02X\\r\\n" % x

class Uart:
    def __init__(self):
        self.data = b""
        self.at = 0
        self.sent = 0
        self.last = None
    def any(self): return len(self.data) - self.at
    def readinto(self, buf, n):
        for i in range(n): buf[i] = self.data[self.at + i]
        self.at += n
        return n
    def write(self, data):
        self.sent += 1
        self.last = data
        return len(data)
    def init(self, baudrate): pass

uart = Uart()
gnss = GnssReceiver(uart, 9600, 6)
gnss.pressure_altitude_m = 500
rows = [0]
codes = [0] * 40
count = [0]
def polls(now, until):
    while now < until:
        gnss.poll(now)
        if gnss.fix_ready:
            gnss.fix_ready = False
            rows[0] += 1
        if gnss.ecef_ready:
            gnss.ecef_ready = False
        if gnss.event_code:
            if count[0] < 40:
                codes[count[0]] = gnss.event_code
                count[0] += 1
            gnss.event_code = 0
        now += 50
model = 0
pvt = nmea = False
second = 0
nav5 = [0]
version = b"ROM CORE 3.01".ljust(30) if hasattr(b"", "ljust") else b"ROM CORE 3.01" + bytes(17)
version += b"00080000\\0\\0" + b"PROTVER=18.00" + bytes(17)
nmea = True
for second in range(150):
    if second == 100:
        model = 0
        pvt = False
        nmea = True
    text = b""
    if uart.last is not None:
        cls, number, size = uart.last[2], uart.last[3], uart.last[4]
        if (cls, number) == (0x0A, 4):
            text += ubx(0x0A, 4, version)
        else:
            if number == 0x24 and size == 0:
                text += ubx(6, 0x24, b"\\xff\\xff" + bytes([model]) + bytes(33))
            elif number == 0x24:
                model = uart.last[8]
            elif number == 1 and uart.last[6] == 1:
                pvt = True
            elif number == 1:
                nmea = False
            text += ubx(5, 1, bytes([cls, number]))
        uart.last = None
    clock = b"12%02d%02d.00" % (second // 60, second % 60)
    if nmea:
        text += line(b"GNRMC," + clock + b",A,4807.03800,N,01131.00000,E,1.0,90.0,150624,,,A")
        text += line(b"GNGGA," + clock + b",4807.03800,N,01131.00000,E,1,09,0.90,500.0,M,46.9,M,,")
        text += line(b"GNTXT,01,01,02,ANTSTATUS=OK") + b"\\xb5\\x62\\x01\\x35\\x10\\x00rubbish$GN"
    if pvt:
        import struct
        text += ubx(1, 7, struct.pack("<IHBBBBBBIiBBBBiiiiIIiiiiiIIH", second * 1000, 2024, 6, 15, 12, second // 60,
            second % 60, 7, 50, 0, 3, 1, 0, 9, 115000000 + second, 481000000, 546900, 500000, 1500, 2000,
            0, 0, 0, 0, 0, 0, 0, 142) + bytes(14))
    uart.data = text
    uart.at = 0
    heap_lock()
    try:
        polls(second * 1000, second * 1000 + 1000)
    finally:
        heap_unlock()
print(rows[0], uart.sent, model, codes[:count[0]])
""",
        interpreter,
    )
    rows, sent, model, codes = out.split(" ", 3)
    assert int(rows) >= 149
    assert int(model) == 6
    assert int(sent) >= 20
    assert str(events.GNSS_RESTARTED) in codes

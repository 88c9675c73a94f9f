"""The board's side of the bench with stand-ins for line, card and clock: what it sends, what it obeys."""

import struct

import pytest

from firmware.bench.card_test import CardTest
from firmware.bench.link_task import LinkTask
from firmware.bench.outbox import Outbox
from firmware.core.framer import PAYLOAD, Frame
from shared_protocol import link
from shared_protocol.crc import UNSALTED
from shared_protocol.records import EVENT
from tests.tidy.sources import imports, python_files

SESSION = 99
SALT = link.link_salt(SESSION)


class Line:
    """A serial line: `takes` bytes a write (0: the host does not read), `waits_ms` for each."""

    def __init__(self, takes=64, waits_ms=0):
        self.takes = takes
        self.waited_ms = waits_ms
        self.sent = b""
        self.coming = b""
        self.tries = 0

    def read(self, at_most):
        data, self.coming = self.coming[:at_most], self.coming[at_most:]
        return data

    def write(self, view):
        self.tries += 1
        taken = bytes(view[: self.takes])
        self.sent += taken
        return len(taken)


class Orders:
    """Answers at once, or with `slow` when told to be ready."""

    def __init__(self, slow=False):
        self.slow = slow
        self.ready = False
        self.begun = []
        self.status = link.DONE
        self.answer = (1, 2, 3, 4)

    def begin(self, code, a, b, now_ms):
        self.begun.append((code, a, b))
        return not self.slow

    def step(self, now_ms):
        ready, self.ready = self.ready, False
        return ready

    def is_idle(self):
        return True


def about():
    """What hello says."""
    return 1, 0x0102, (5, 6, 7, 8, b"board-id", b"1.28.0", b"a machine")


def made(orders=None, line=None):
    """A task with its line and outbox."""
    line, outbox = line or Line(), Outbox(SALT)
    return LinkTask(line, outbox, orders or Orders(), SESSION, about, 0), line, outbox


def sent(line, *kinds):
    """Frames of these kinds that went up, newest last; they are taken from the line."""
    sizes = {kind: struct.calcsize(link.link_format(kind)) for kind in (link.HELLO, link.REPLY, link.STATUS)}
    frames = link.Splitter(sizes, (SALT, UNSALTED)).feed(line.sent)
    line.sent = b""
    return [frame for frame in frames if frame[0] in kinds]


def command(code, number=1, a=0, b=0, salt=SALT):
    """A command as it comes down."""
    return link.encode(link.COMMAND, number, 0, (code, 0, a, b), salt)


def test_flying_never_loads_what_is_for_the_bench():
    loading = {
        str(path): sorted(name for name in imports(path) if name.startswith(("firmware.bench", "shared_protocol.link")))
        for path in python_files("firmware", "shared_protocol")
        if path.parts[:2] != ("firmware", "bench") and path.name != "spec.py"
    }
    assert len(loading) > 40
    assert {path: names for path, names in loading.items() if names} == {}


def test_a_command_is_answered_under_its_number():
    task, line, _ = made()
    line.coming = command(link.ECHO, number=77, a=5, b=-5)
    task.step(20)
    (reply,) = sent(line, link.REPLY)
    assert reply[1] == 77 and struct.unpack(link.link_format(link.REPLY), reply[3]) == (
        link.ECHO,
        link.DONE,
        1,
        2,
        3,
        4,
    )


def test_a_command_that_is_repeated_is_done_once_and_answered_again():
    orders = Orders()
    task, line, _ = made(orders)
    for now_ms in (20, 40):
        line.coming = command(link.SOUNDER, number=3, a=100)
        task.step(now_ms)
    assert orders.begun == [(link.SOUNDER, 100, 0)]
    assert len(sent(line, link.REPLY)) == 2


def test_the_same_command_under_a_new_number_is_done_again():
    orders = Orders()
    task, line, _ = made(orders)
    for number in (3, 4):
        line.coming = command(link.SOUNDER, number=number, a=100)
        task.step(20 * number)
    assert len(orders.begun) == 2


def test_a_command_that_takes_its_time_is_answered_busy_until_it_is_done():
    orders = Orders(slow=True)
    task, line, _ = made(orders)
    said = []
    for turn in range(4):
        line.coming = command(link.CARD_TEST, number=9, a=8) if turn < 3 else b""
        orders.ready = turn == 3
        task.step(20 * turn)
        said += [frame[3][1] for frame in sent(line, link.REPLY)]
    assert said == [link.BUSY, link.BUSY, link.DONE]
    assert len(orders.begun) == 1


def test_another_command_meanwhile_is_told_to_wait_and_not_begun():
    orders = Orders(slow=True)
    task, line, _ = made(orders)
    line.coming = command(link.CARD_TEST, number=9) + command(link.LED, number=10)
    task.step(20)
    (reply,) = sent(line, link.REPLY)
    assert reply[1] == 10 and reply[3][:2] == bytes([link.LED, link.BUSY])
    assert [code for code, _, _ in orders.begun] == [link.CARD_TEST]


@pytest.mark.parametrize("code", [link.ECHO, link.SOUNDER, link.CARD_TEST])
def test_who_does_not_know_the_session_is_not_obeyed(code):
    orders = Orders()
    task, line, _ = made(orders)
    line.coming = command(code, salt=UNSALTED) + command(code, salt=link.link_salt(SESSION + 1))
    task.step(20)
    assert orders.begun == [] and sent(line, link.REPLY) == []


def test_anybody_may_ask_for_the_hello_and_it_names_the_session():
    task, line, _ = made()
    line.coming = command(link.ASK_HELLO, salt=UNSALTED)
    task.step(20)
    (hello,) = sent(line, link.HELLO)
    values = struct.unpack(link.link_format(link.HELLO), hello[3])
    assert hello[4] == 1, "the hello is unsalted"
    assert values[:5] == (link.LINK_VERSION, 1, 0x0102, SESSION, 5)


def test_anybody_may_end_the_bench():
    task, line, _ = made()
    line.coming = command(link.STOP, salt=UNSALTED)
    task.step(20)
    assert task.is_over


def test_stop_waits_until_its_answer_is_on_the_way_but_not_for_ever():
    task, line, outbox = made(line=Line(takes=0))
    line.coming = command(link.STOP)
    task.step(20)
    assert not task.is_over and not outbox.is_empty()
    task.step(1000)
    assert task.is_over


def test_a_ground_that_fell_silent_is_left():
    task, line, _ = made()
    line.coming = command(link.ASK_HELLO, salt=UNSALTED)
    task.step(100_000)
    assert not task.is_left
    task.step(219_980)
    assert not task.is_left
    task.step(220_000)
    assert task.is_left


def test_a_status_comes_each_second():
    task, line, _ = made()
    for now_ms in range(0, 5000, 20):
        task.step(now_ms)
    assert [frame[2] for frame in sent(line, link.STATUS)] == [0, 1000, 2000, 3000, 4000]


def test_a_late_turn_shows_in_the_status():
    task, line, _ = made()
    for now_ms in (0, 20, 390, 1000):
        task.step(now_ms)
    late_max = struct.unpack(link.link_format(link.STATUS), sent(line, link.STATUS)[-1][3])[0]
    assert late_max == 1000 - 390 - 20


def test_what_finds_no_room_is_counted_and_the_rest_stays_whole():
    outbox, line = Outbox(SALT), Line(takes=0)
    frame = Frame(EVENT)
    for number in range(300):
        struct.pack_into("<HBBii", frame.buffer, PAYLOAD, 1, 2, 3, number, 0)
        outbox.take(frame, number, number)
        outbox.send(line, number)
    line.takes = 50
    for _ in range(100):
        outbox.send(line, 10_000)
    found = link.Splitter({EVENT: 12}, (SALT,)).feed(line.sent)
    assert [frame[1] for frame in found] == list(range(len(found)))
    assert len(found) + outbox.dropped == 300 and outbox.dropped > 100


def test_frames_go_on_whole_when_the_line_takes_a_little_at_a_time():
    outbox, line = Outbox(SALT), Line(takes=7)
    frame = Frame(EVENT)
    for number in range(2000):
        struct.pack_into("<HBBii", frame.buffer, PAYLOAD, 1, 2, 3, number, 0)
        outbox.take(frame, number & 0xFFFF, number)
        outbox.send(line, number)
    for _ in range(100):
        outbox.send(line, 3000)
    found = link.Splitter({EVENT: 12}, (SALT,)).feed(line.sent)
    assert [frame[1] for frame in found] == list(range(2000)) and outbox.dropped == 0


def test_frames_stay_whole_when_the_line_is_slower_than_the_board_for_a_while():
    outbox, line = Outbox(SALT), Line(takes=1)
    frame = Frame(EVENT)
    for number in range(350):  # ten bytes a turn more than the line takes: the buffer is moved up on the way
        struct.pack_into("<HBBii", frame.buffer, PAYLOAD, 1, 2, 3, number, 0)
        outbox.take(frame, number, number)
        outbox.send(line, number)
    line.takes = 50
    for _ in range(100):
        outbox.send(line, 3000)
    found = link.Splitter({EVENT: 12}, (SALT,)).feed(line.sent)
    assert [frame[1] for frame in found] == list(range(350)) and outbox.dropped == 0


def test_a_write_that_waited_is_not_tried_again_at_once():
    outbox, line = Outbox(SALT), Line(waits_ms=500)
    outbox.put(bytes(640))
    for now_ms in range(0, 3000, 20):
        outbox.send(line, now_ms)
    assert line.tries == 1
    outbox.send(line, 3001)
    assert line.tries == 2


class Card:
    """A card's root with one file; `spoil(number, sector)` is what reading gives, `full_at` sectors fit."""

    def __init__(self, spoil=None, full_at=10_000, fails_at=None):
        self.sectors = []
        self.spoil = spoil or (lambda number, sector: sector)
        self.full_at = full_at
        self.fails_at = fails_at
        self.names = set()
        self.place = 0

    def open(self, name, mode):
        self.names.add(name)
        self.place = 0
        return self

    def write(self, data):
        if len(self.sectors) == self.fails_at:
            raise OSError(5)
        if len(self.sectors) == self.full_at:
            return 0
        self.sectors.append(bytes(data))
        return len(data)

    def readinto(self, buffer):
        buffer[:] = self.spoil(self.place, self.sectors[self.place])
        self.place += 1
        return len(buffer)

    def close(self):
        pass

    def remove(self, name):
        self.names.remove(name)


def card_test(card, sectors, monkeypatch):
    """The finished test."""
    ticks = iter(range(0, 10**9, 150))
    monkeypatch.setattr("time.ticks_us", lambda: next(ticks), raising=False)
    monkeypatch.setattr("time.ticks_diff", lambda end, start: end - start, raising=False)
    test = CardTest(card, sectors)
    for _ in range(2 * sectors + 10):
        if not test.is_over:
            test.step()
    assert test.is_over
    return test


def test_a_good_card_gives_back_every_sector_and_nothing_stays_on_it(monkeypatch):
    card = Card()
    test = card_test(card, 20, monkeypatch)
    assert not test.failed and test.results() == (20, 150, 150, 150)
    assert card.names == set()
    assert len(set(card.sectors)) == 20, "no two sectors hold the same"


def test_a_card_that_gives_back_something_else_fails(monkeypatch):
    test = card_test(
        Card(spoil=lambda number, data: data[:9] + b"x" + data[10:] if number == 7 else data), 20, monkeypatch
    )
    assert test.failed and test.results()[0] == 19


def test_a_card_that_gives_one_sector_for_another_fails(monkeypatch):
    card = Card()
    card.spoil = lambda number, data: card.sectors[0] if number == 3 else data
    test = card_test(card, 5, monkeypatch)
    assert test.failed and test.results()[0] == 4


@pytest.mark.parametrize("trouble", [{"full_at": 5}, {"fails_at": 5}])
def test_a_card_that_refuses_fails_and_the_file_is_gone(trouble, monkeypatch):
    card = Card(**trouble)
    test = card_test(card, 20, monkeypatch)
    assert test.failed and card.names == set()

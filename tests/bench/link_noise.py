"""A bad cable between board and ground: `python -m tests.bench.link_noise [FRAMES] [SEED]`.

Prints, for each kind of damage at one byte in a thousand, how many frames were sent, how many got through, how many of
those that no damage touched, and how many were accepted that nobody sent. The frames are in the proportions of a board
on the bench, with random payloads: those hold sync words too. The last lines go through a simulated board behind a
pseudo-terminal, with damage in both directions, and count what comes of commands.
"""

import random
import struct
import sys
import time
from binascii import crc32

from ground.bench.link import LINK_SIZES, open_board
from ground.errors import InputError
from shared_protocol import link, records
from shared_protocol.crc import UNSALTED

RATE = 1e-3
# frames in ten seconds on the bench
PROPORTIONS = {
    records.PRESSURE: 100, records.POWER: 50, records.TEMPERATURE: 20, records.FIX: 10, records.HEALTH: 2,
    records.EVENT: 1, link.STATUS: 10, link.REPLY: 1,
}  # fmt: skip
DAMAGES = {
    "none": (0.0, 0.0, 0.0),
    "bytes lost": (RATE, 0.0, 0.0),
    "bytes garbled": (0.0, RATE, 0.0),
    "bytes added": (0.0, 0.0, RATE),
    "all three": (RATE, RATE, RATE),
}
_CHUNK_MAX = 200


def traffic(count, rng, salt):
    """Frames as a board sends them, with random payloads."""
    kinds = rng.choices(list(PROPORTIONS), list(PROPORTIONS.values()), k=count)
    frames = []
    for number, kind in enumerate(kinds):
        payload = rng.randbytes(LINK_SIZES[kind])
        body = struct.pack("<HBBHI", 0x5AA5, kind, len(payload), number & 0xFFFF, number * 26) + payload
        frames.append(body + struct.pack("<I", crc32(body, salt)))
    return frames


def damaged(frames, rng, lost, garbled, added):
    """What arrives, and which frames no damage touched: `(bytes, list of bool)`."""
    out, whole = bytearray(), []
    for frame in frames:
        touched = False
        for place, byte in enumerate(frame):
            if rng.random() < added:
                out.append(rng.randrange(256))
                touched |= place > 0  # before the first byte it stands between two frames
            if rng.random() < lost:
                touched = True
                continue
            if rng.random() < garbled:
                byte ^= rng.randrange(1, 256)
                touched = True
            out.append(byte)
        whole.append(not touched)
    return bytes(out), whole


def received(data, rng, salt):
    """The frames that a reader accepts, as bytes; the data comes in any pieces, and the line goes on behind it."""
    data += bytes(max(LINK_SIZES.values()) + link.OVERHEAD)
    splitter = link.Splitter(LINK_SIZES, (salt, UNSALTED))
    accepted, at = [], 0
    while at < len(data):
        size = rng.randint(1, _CHUNK_MAX)
        for kind, number, t_ms, payload, _place in splitter.feed(data[at : at + size]):
            body = struct.pack("<HBBHI", 0x5AA5, kind, len(payload), number, t_ms) + payload
            accepted.append(body + struct.pack("<I", crc32(body, salt)))
        at += size
    return accepted


def measure(count, seed, damage):
    """`(sent, untouched, delivered, untouched and not delivered, wrong)` of one run."""
    rng = random.Random(seed)
    salt = link.link_salt(rng.getrandbits(32))
    frames = traffic(count, rng, salt)
    data, whole = damaged(frames, rng, *DAMAGES[damage])
    accepted = received(data, rng, salt)
    place = {frame: number for number, frame in enumerate(frames)}
    arrived = {place[frame] for frame in accepted if frame in place}
    wrong = sum(frame not in place for frame in accepted) + len(accepted) - len(set(accepted))
    lost = sum(is_whole and number not in arrived for number, is_whole in enumerate(whole))
    return count, sum(whole), len(arrived), lost, wrong


def bad_cable(rng, rate):
    """A function for SerialBoard.up or .down: bytes lost, garbled and added, each at this rate."""

    def hurt(data):
        return damaged([data], rng, rate, rate, rate)[0]

    return hurt


def live(seconds, seed, rate=RATE, commands=20, speed=10.0):
    """A simulated board over a bad cable: `(statistics, commands answered, commands that failed)`."""
    rng = random.Random(seed)
    with open_board("sim", speed=speed) as board:
        board.board.up, board.board.down = bad_cable(rng, rate), bad_cable(rng, rate)
        answered = failed = 0
        for number in range(commands):
            try:
                reply = board.command("echo", a=number, b=-number)
                answered += reply["a"] == number and reply["b"] == -number
            except InputError:
                failed += 1
        board.readings(seconds)
        statistics = board.statistics
        board.board.up = board.board.down = None
    return statistics, answered, failed


def main():
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200_000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    print(f"{count} frames, seed {seed}, each damage at {RATE:g} a byte")
    print(f"{'damage':>14} {'untouched':>10} {'delivered':>10} {'of clean':>9} {'of untouched':>13} {'wrong':>6}")
    for damage in DAMAGES:
        began = time.process_time()
        sent, untouched, delivered, lost, wrong = measure(count, seed, damage)
        took = time.process_time() - began
        share = 1.0 - lost / untouched
        print(
            f"{damage:>14} {untouched:>10} {delivered:>10} {delivered / sent:>9.4f} {share:>13.6f} {wrong:>6}", end=""
        )
        print(f"   ({took:.0f} s)")
    statistics, answered, failed = live(120, seed)
    total = statistics["records"] + statistics["records_missing"]
    print(f"simulated board, all three in both directions: {statistics['records']} of {total} records, ", end="")
    print(f"{statistics['records'] / total:.4f} of clean; commands answered {answered}, given up {failed}")


if __name__ == "__main__":
    main()

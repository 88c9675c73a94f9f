"""What can befall a chip or its bus, whatever chip it is: functions of a board and a fault, for faults.py.

`chip` is the chip's name. `at_us` is when it begins (without it: at power-up), `for_us` how long it lasts (without
it: for good). All of it goes through the chip's socket and the door in it (sockets.py, fault_door.py).
"""

from ground.simulator.board.clock import NEVER_US
from ground.simulator.board.fault_door import Stranger
from ground.simulator.board.sockets import I2cSocket, ReceiverSocket, WireSocket

_NINE_CLOCKS = 9
_FLIP_ODDS = 6  # one byte in so many is hurt: of a few bytes a reading, every other reading or so
_RECEIVER_ODDS = 8  # a sentence has some seventy bytes, a reading of a chip has three
_LATE_US = 2000


def for_a_while(board, fault, begin, end):
    """Call begin() and end() at the fault's times, also in a boot that starts in the middle of it."""
    now_us = board.clock.boot_us
    start_us = fault.get("at_us", 0)
    end_us = start_us + fault["for_us"] if fault.get("for_us") else NEVER_US
    if end_us <= now_us:
        return
    if start_us <= now_us:
        begin()
    else:
        board.clock.at(start_us, begin)
    if end_us < NEVER_US:
        board.clock.at(end_us, end)


def missing_chip(board, fault):
    """The chip does not answer; it comes back as if new."""
    name = fault["chip"]
    for_a_while(board, fault, lambda: board.remove(name), lambda: board.put_back(name))


def wrong_id(board, fault):
    """Another part sits in the chip's place: on I2C one that is none of ours, on 1-wire one with another ROM code."""
    name = fault["chip"]
    socket = _socket(board, fault, (I2cSocket, WireSocket))
    door = socket.door()
    other = Stranger() if isinstance(socket, I2cSocket) else board.another(name)

    def begin():
        door.stranger = other

    def end():
        door.stranger = None
        board.put_back(name)

    for_a_while(board, fault, begin, end)


def swapped_chip(board, fault):
    """Another kind of chip, `by`, answers at the chip's address."""
    name = fault["chip"]
    _socket(board, fault, (I2cSocket,))
    for_a_while(board, fault, lambda: board.swap(name, fault["by"]), lambda: board.put_back(name))


def stuck_bus(board, fault):
    """The chip's bus is held down.

    I2C: by the chip itself, in the middle of a byte, until nine clocks come; with `for_us` whatever is done. 1-wire: a
    short circuit to ground, which nothing but time mends.
    """
    socket = _socket(board, fault, (I2cSocket, WireSocket))
    if isinstance(socket, WireSocket):
        for_a_while(board, fault, lambda: _short(socket.wire, True), lambda: _short(socket.wire, False))
    elif fault.get("for_us"):
        for_a_while(board, fault, socket.wires.hold, socket.wires.let_go)
    elif fault.get("at_us", 0) >= board.clock.boot_us:
        board.clock.at(fault["at_us"], lambda: socket.wires.hold(_NINE_CLOCKS))
    elif "at_us" not in fault:
        socket.wires.hold(_NINE_CLOCKS)


def bit_flips(board, fault):
    """One byte in `odds` that goes over the chip's bus is hurt."""
    socket = _socket(board, fault, (I2cSocket, WireSocket, ReceiverSocket))
    odds = fault.get("odds", _FLIP_ODDS)
    if isinstance(socket, ReceiverSocket):
        line = socket.line
        noise = board.chance_of_faults(fault["chip"])

        def hurt(data):
            data = bytearray(data)
            for index in range(len(data)):
                if noise.bits32() % (odds * _RECEIVER_ODDS) == 0:
                    data[index] ^= 1 << (noise.bits32() >> 8 & 7)
            return bytes(data)

        for_a_while(board, fault, lambda: setattr(line, "hurt", hurt), lambda: setattr(line, "hurt", None))
        return
    door = socket.door()
    for_a_while(board, fault, lambda: setattr(door, "flip_odds", odds), lambda: setattr(door, "flip_odds", 0))


def late_answer(board, fault):
    """The chip takes `late_us` longer than it may to answer the bus, and `conversion_us` longer for a conversion."""
    name = fault["chip"]
    door = _socket(board, fault, (I2cSocket, WireSocket)).door()
    late_us, conversion_us = fault.get("late_us", _LATE_US), fault.get("conversion_us", 0)

    def be_late(answer_us, more_us):
        door.late_us = answer_us
        door.chip.late_us = more_us
        if more_us:
            board.ledger.forgive(name, NEVER_US)  # who waits as long as the data sheet says can't know

    def end():
        be_late(0, 0)
        board.ledger.forgive(name, 0)

    for_a_while(board, fault, lambda: be_late(late_us, conversion_us), end)


def frozen_value(board, fault):
    """What the chip measures stands still."""
    door = _socket(board, fault, ()).door()
    for_a_while(board, fault, door.freeze, door.thaw)


def brown_out(board, fault):
    """The chip's supply dips, for `for_us` or no time at all: its registers then hold their power-on values."""
    if fault.get("for_us"):
        missing_chip(board, fault)
    elif fault["at_us"] >= board.clock.boot_us:
        board.clock.at(fault["at_us"], lambda: board.brown_out(fault["chip"]))


def _short(wire, shorted):
    wire.shorted = shorted


def _socket(board, fault, kinds):
    """Where the chip sits. Raises ValueError for a chip that is not there or that this cannot befall."""
    name = fault["chip"]
    if name not in board.sockets:
        raise ValueError("fault %s: no chip %s; known: %s" % (fault["kind"], name, ", ".join(sorted(board.sockets))))
    socket = board.sockets[name]
    if (kinds and not isinstance(socket, kinds)) or (not kinds and isinstance(socket, ReceiverSocket)):
        raise ValueError("fault %s cannot befall %s" % (fault["kind"], name))
    return socket


KINDS = {
    "missing_chip": missing_chip,
    "wrong_id": wrong_id,
    "swapped_chip": swapped_chip,
    "stuck_bus": stuck_bus,
    "bit_flips": bit_flips,
    "late_answer": late_answer,
    "frozen_value": frozen_value,
    "brown_out": brown_out,
}

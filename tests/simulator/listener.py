"""A virtual receiver on a serial port, and what it says in the words of pynmeagps and pyubx2 (PyPI)."""

import io
from datetime import UTC, datetime

from pyubx2 import ERR_RAISE, NMEA_PROTOCOL, SET, UBX_PROTOCOL, UBXMessage, UBXReader

from ground.simulator.board.gnss.receiver import VirtualReceiver
from ground.simulator.board.uart import Line
from tests.check_values import check_value
from tests.simulator.bench import ChipBench

START = datetime(2026, 9, 19, 4, 10, 0, 250_000, tzinfo=UTC)

PLACE = {
    "latitude_deg": 48.3127, "longitude_deg": 67.4218, "altitude_m": 412.0, "geoid_separation_m": -36.5,
    "speed_north_mps": 0.0, "speed_east_mps": 0.0, "climb_mps": 0.0,
}  # fmt: skip


class Listener:
    """A receiver on a UART, and everything it has said so far."""

    def __init__(self, generation="m8", place=None, baud=9600, start_us=0, **parameters):
        self.bench = ChipBench(start_us, **{**PLACE, **(place or {})})
        self.line = Line(baud)
        self.receiver = self.bench.chip(
            VirtualReceiver, line=self.line, start_unix_us=round(START.timestamp() * 1e6), generation=generation,
            baud=baud, **{"first_fix_s": 10.0, "again_fix_s": 2.0} | parameters,
        )  # fmt: skip
        self.uart = self.bench.uart(self.receiver, self.line, baud)
        self.said = b""

    def listen(self, seconds):
        """What is said from now on, for so long."""
        fresh = b""
        end_us = self.bench.clock.now_us + round(seconds * 1e6)
        while self.bench.clock.now_us < end_us:
            self.bench.clock.sleep_ms(20)
            fresh += self.uart.read() or b""
        self.said += fresh
        return fresh

    def tell(self, message, wait_s=0.9):
        """Send a message and give back what comes until about a second later. A receiver needs a moment to start."""
        if self.bench.clock.now_us < 1_500_000:
            self.listen(1.5 - self.bench.clock.now_us / 1e6)
        self.uart.write(message.serialize() if isinstance(message, UBXMessage) else message)
        return self.listen(wait_s)

    def quiet(self):
        """Switch all NMEA off, so that only answers are heard."""
        if self.receiver.generation == "m10":
            self.tell(UBXMessage.config_set(1, 0, [("CFG_UART1OUTPROT_NMEA", 0)]), 2.5)
        else:
            self.tell(UBXMessage("CFG", "CFG-PRT", SET, portID=1, charLen=3, parity=4, nStopBits=0, baudRate=9600,
                                 inUBX=1, inNMEA=1, outUBX=1, outNMEA=0), 2.5)  # fmt: skip



def check_frame(name):
    return bytes.fromhex(check_value(name)["expected"]["frame_hex"])



def understood(data):
    """All messages; raises for a byte that belongs to none or a checksum that is wrong."""
    stream = io.BytesIO(data)
    reader = UBXReader(stream, protfilter=NMEA_PROTOCOL | UBX_PROTOCOL, quitonerror=ERR_RAISE)
    messages, total = [], 0
    for raw, parsed in reader:
        messages.append(parsed)
        total += len(raw)
    assert total == len(data)
    return messages



def whole(data):
    """Cut the torn message at the end of a listening time, if there is one."""
    ends = [data.rfind(b"\r\n") + 2]
    start = data.rfind(b"\xb5\x62")
    if start >= 0:
        length = int.from_bytes(data[start + 4 : start + 6], "little") + 8
        ends.append(start + length if start + length <= len(data) else start)
    return data[: max(ends)]



def resumed(data):
    """From the first whole sentence on."""
    return data[data.index(b"$GNRMC") :]



def resynced(data):
    """From the first whole binary frame on."""
    return data[data.index(b"\xb5\x62") :]



def named(messages, identity):
    return [message for message in messages if message.identity == identity]


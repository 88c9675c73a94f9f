"""A receiver on a UART for the driver's tests; every byte it says is made by pyubx2 or checked by pynmeagps.

It obeys CFG-NAV5 and CFG-MSG ("m8"), CFG-VALSET and CFG-VALGET ("m10"), or nothing ("nmea"). Its bench door makes it
restart, refuse, keep something else, fall silent, freeze, or speak at another rate.
"""

from io import BytesIO

from pynmeagps import NMEAReader
from pyubx2 import ERR_RAISE, GET, SET, SETPOLL, UBX_PROTOCOL, UBXMessage, UBXReader

MODEL_KEY = 0x20110021
PVT_KEY = 0x20910007
NMEA_KEYS = {
    0x209100BB: "GGA",
    0x209100CA: "GLL",
    0x209100C0: "GSA",
    0x209100C5: "GSV",
    0x209100AC: "RMC",
    0x209100B1: "VTG",
}
NMEA_IDS = {0x00: "GGA", 0x01: "GLL", 0x02: "GSA", 0x03: "GSV", 0x04: "RMC", 0x05: "VTG"}


def sentence(body):
    check = 0
    for character in body.encode():
        check ^= character
    data = f"${body}*{check:02X}\r\n".encode()
    NMEAReader.parse(data)
    return data


class FakeReceiver:
    """The receiver and the UART in one. run(ms) of the test moves its clock; an epoch a second."""

    def __init__(self, kind="m8", baud=9600):
        self.kind = kind
        self.baud = baud
        self.host_baud = baud
        self.now_ms = 0
        self.out = bytearray()
        self.rate_changes = 0
        self.commands = []  # (now_ms, identity)
        self.deaf = kind == "nmea"
        self.mute = False
        self.refuses = set()  # identities that it answers with a NAK
        self.keeps_model = None  # whatever is set, it stays at this one
        self.no_ack = False
        self.pvt_never_comes = False
        self.keeps_nmea = False  # it refuses to switch NMEA off
        self.strays = b""  # said before each epoch, and before the answer about a key
        self.fix = True
        self.frozen = False
        self.steps = 3800
        self.altitude_m = 100.0
        self.day_ms = 43200000
        self.defaults()

    def defaults(self):
        self.model = 0
        self.pvt = False
        self.nmea = dict.fromkeys(("RMC", "GGA", "GSA", "VTG", "GLL", "GSV"), True)

    def restart(self, text=True):
        self.defaults()
        self.out.clear()
        if text:
            self.say(sentence("GNTXT,01,01,02,u-blox AG - www.u-blox.com"))

    def say(self, data):
        if self.baud != self.host_baud:
            data = bytes((value * 7 + 129) & 0xFF | 0x80 for value in data)
        if not self.mute:
            self.out += data

    # --- UART ---------------------------------------------------------------------------------------------------

    def any(self):
        return len(self.out)

    def readinto(self, buf, nbytes):
        assert nbytes <= len(buf)
        assert 0 < nbytes <= len(self.out), "a read that would wait"
        buf[:nbytes] = self.out[:nbytes]
        del self.out[:nbytes]
        return nbytes

    def init(self, baudrate):
        self.rate_changes += 1
        self.host_baud = baudrate
        self.out.clear()

    def write(self, data):
        messages = [
            parsed
            for raw, parsed in UBXReader(
                BytesIO(bytes(data)), msgmode=SETPOLL, protfilter=UBX_PROTOCOL, quitonerror=ERR_RAISE
            )
        ]
        assert len(messages) == 1, "one command at a time"
        message = messages[0]
        self.commands.append((self.now_ms, message.identity))
        if self.deaf or self.baud != self.host_baud:
            return len(data)
        self._obey(message)
        return len(data)

    # --- configuration --------------------------------------------------------------------------------------------

    def _obey(self, message):
        identity = message.identity
        known = {"m8": ("MON-VER", "CFG-NAV5", "CFG-MSG"), "m10": ("MON-VER", "CFG-VALSET", "CFG-VALGET")}[self.kind]
        if identity == "MON-VER":
            hardware = b"00080000" if self.kind == "m8" else b"000A0000"
            protocol = b"PROTVER=18.00" if self.kind == "m8" else b"PROTVER=34.10"
            payload = b"ROM CORE 3.01 (107888)".ljust(30, b"\0") + hardware.ljust(10, b"\0")
            payload += b"FWVER=SPG 3.01".ljust(30, b"\0") + protocol.ljust(30, b"\0")
            self.say(UBXMessage("MON", "MON-VER", GET, payload=payload).serialize())
            return
        if identity not in known or identity in self.refuses:
            self._acknowledge(message, "ACK-NAK")
            return
        payload = message.payload
        if self.keeps_nmea and (payload[:1] == b"\xf0" or (identity == "CFG-VALSET" and len(payload) > 20)):
            self._acknowledge(message, "ACK-NAK")
            return
        if identity == "CFG-NAV5":
            if payload:
                assert payload[:2] == b"\x01\x00", "only the dynamic model may be set"
                self._set_model(payload[2])
            else:
                self.say(
                    UBXMessage(
                        "CFG", "CFG-NAV5", SET, payload=b"\xff\xff" + bytes([self.model]) + bytes(33)
                    ).serialize()
                )
        elif identity == "CFG-MSG":
            assert len(payload) == 3
            if payload[:2] == b"\x01\x07":
                self.pvt = payload[2] == 1
            else:
                assert payload[0] == 0xF0
                self.nmea[NMEA_IDS[payload[1]]] = payload[2] > 0
        elif identity == "CFG-VALSET":
            assert payload[1] == 1, "RAM only"
            for at in range(4, len(payload), 5):
                key, value = int.from_bytes(payload[at : at + 4], "little"), payload[at + 4]
                if key == MODEL_KEY:
                    self._set_model(value)
                elif key == PVT_KEY:
                    self.pvt = value == 1
                elif key in NMEA_KEYS:
                    self.nmea[NMEA_KEYS[key]] = value > 0
        elif identity == "CFG-VALGET":
            self.say(self.strays)
            reply = b"\x01\x00\x00\x00" + payload[4:8] + bytes([self.model])
            self.say(UBXMessage("CFG", "CFG-VALGET", GET, payload=reply).serialize())
        if not self.no_ack:
            self._acknowledge(message, "ACK-ACK")

    def _set_model(self, model):
        self.model = model if self.keeps_model is None else self.keeps_model

    def _acknowledge(self, message, answer):
        payload = message.msg_cls + message.msg_id
        self.say(UBXMessage("ACK", answer, GET, payload=payload).serialize())

    # --- an epoch ---------------------------------------------------------------------------------------------------

    def speak(self):
        self.say(self.strays)
        second = self.day_ms // 1000
        clock = f"{second // 3600:02d}{second // 60 % 60:02d}{second % 60:02d}.00"
        if not self.frozen:
            self.steps = second % 100000  # of 1e-5 minutes of latitude; a frozen receiver stays where it is
        place = f"4807.{self.steps:05d},N,01130.00000,E"
        self._place = place if self.fix else ",,,"
        if self.nmea["RMC"]:
            status = "A" if self.fix else "V"
            self.say(sentence(f"GNRMC,{clock},{status},{self._place},1.0,90.0,150624,,,{'A' if self.fix else 'N'}"))
        if self.nmea["GGA"]:
            height = f"{self.altitude_m:.1f},M,46.9,M" if self.fix else ",,,"
            self.say(sentence(f"GNGGA,{clock},{self._place},{int(self.fix)},09,0.90,{height},,"))
        if self.nmea["GSA"]:
            self.say(sentence(f"GNGSA,A,{3 if self.fix else 1},05,07,13,14,,,,,,,,,1.42,0.71,1.23"))
        if self.nmea["GSV"]:
            self.say(sentence("GPGSV,1,1,03,28,28,095,33,04,30,150,46,02,07,178,32"))
        if self.pvt and not self.pvt_never_comes:
            self.say(
                UBXMessage(
                    "NAV", "NAV-PVT", GET, iTOW=self.day_ms, year=2024, month=6, day=15, hour=second // 3600,
                    min=second // 60 % 60, second=second % 60, validDate=1, validTime=1, fixType=3 if self.fix else 0,
                    gnssFixOk=int(self.fix), numSV=9, lat=48 + (7 + self.steps / 1e5) / 60,
                    lon=11.5, hMSL=round(self.altitude_m * 1000),
                    height=round(self.altitude_m * 1000) + 46900, hAcc=1500, pDOP=1.4,
                ).serialize()
            )  # fmt: skip


class Bench:
    """A GnssReceiver on a FakeReceiver, polled every 50 ms; rows, events and states are collected."""

    def __init__(self, make, **settings):
        kind = settings.pop("kind", "m8")
        self.receiver = FakeReceiver(kind, settings.pop("baud", 9600))
        self.receiver.host_baud = settings.pop("host_baud", self.receiver.baud)
        for name, value in settings.items():
            setattr(self.receiver, name, value)
        self.driver = make(self.receiver, self.receiver.host_baud, 6)
        self.rows = []
        self.delays = []  # how long after its first byte each row came [ms]
        self.ecef_rows = 0
        self.events = []
        self.states = []

    def run(self, seconds, speak=True, climb_mps=0):
        receiver, driver = self.receiver, self.driver
        for _ in range(int(seconds * 20)):
            receiver.now_ms += 50
            if receiver.now_ms % 1000 == 0:
                receiver.day_ms += 1000
                receiver.altitude_m += climb_mps
                if speak:
                    receiver.speak()
            for _ in range(10):
                driver.poll(receiver.now_ms)
                if driver.event_code:
                    self.events.append((receiver.now_ms, driver.event_code, driver.event_a, driver.event_b))
                    driver.event_code = 0
                if driver.fix_ready:
                    self.rows.append((driver.fix.source, driver.fix.fix_type, driver.fix.utc, driver.fix.flags))
                    self.delays.append(receiver.now_ms - driver.fix.t_ms)
                    driver.fix_ready = False
                elif driver.ecef_ready:
                    self.ecef_rows += 1
                    driver.ecef_ready = False
                elif not receiver.out:
                    break
            if not self.states or self.states[-1] != driver.state:
                self.states.append(driver.state)

    def codes(self):
        return [code for _, code, _, _ in self.events]

"""What we say to a receiver: UBX messages, made once at start.

Sources: u-blox interface descriptions (M8: CFG-NAV5, CFG-MSG, MON-VER; M9 and M10: CFG-VALSET, CFG-VALGET and the
configuration keys, which were taken from pyubx2's key list).
"""

import struct

from shared_protocol.compat import const

NAV5 = const(0)  # receivers up to protocol 23 or so: one message per subject
VALSET = const(1)  # from protocol 27: one message, many keys

_KEY_MODEL = const(0x20110021)  # CFG-NAVSPG-DYNMODEL
_KEY_PVT = const(0x20910007)  # CFG-MSGOUT-UBX_NAV_PVT_UART1
_KEY_UBX_OUT = const(0x10740001)  # CFG-UART1OUTPROT-UBX
_KEYS_NMEA = (  # CFG-MSGOUT-NMEA_ID_xxx_UART1: GSV GLL VTG GSA GGA RMC
    0x209100C5,
    0x209100CA,
    0x209100B1,
    0x209100C0,
    0x209100BB,
    0x209100AC,
)
_IDS_NMEA = (0x03, 0x01, 0x05, 0x02, 0x00, 0x04)  # the same sentences as CFG-MSG ids of class F0
_RAM = const(1)  # the layer written: a setting that a restart forgets can't surprise anyone later


def message(message_class: int, message_id: int, payload: bytes) -> bytes:
    """A whole UBX message."""
    body = struct.pack("<BBH", message_class, message_id, len(payload)) + payload
    a = 0
    b = 0
    for value in body:
        a = (a + value) & 0xFF
        b = (b + a) & 0xFF
    return b"\xb5b" + body + bytes((a, b))


def set_values(keys: tuple, value: int) -> bytes:
    """CFG-VALSET of one-byte keys in RAM, all to the same value."""
    payload = struct.pack("<BBH", 0, _RAM, 0)
    for key in keys:
        payload += struct.pack("<IB", key, value)
    return message(0x06, 0x8A, payload)


class Commands:
    """The commands for one dynamic model; those in pairs are indexed by NAV5 or VALSET."""

    def __init__(self, model: int):
        self.identify = message(0x0A, 0x04, b"")  # poll MON-VER
        # Mask 0x0001: of all that CFG-NAV5 holds, only the dynamic model is applied.
        nav5 = struct.pack("<HB", 1, model) + bytes(33)
        self.set_model = (message(0x06, 0x24, nav5), set_values((_KEY_MODEL,), model))
        self.ask_model = (
            message(0x06, 0x24, b""),
            message(0x06, 0x8B, struct.pack("<BBHI", 0, 0, 0, _KEY_MODEL)),
        )
        # CFG-MSG with three bytes speaks of the port it comes in by; the keys name UART1, which modules lead out.
        self.pvt_on = (message(0x06, 0x01, b"\x01\x07\x01"), set_values((_KEY_PVT, _KEY_UBX_OUT), 1))
        singly = []
        for number in _IDS_NMEA:
            singly.append(message(0x06, 0x01, bytes((0xF0, number, 0))))
        self.nmea_off = (tuple(singly), (set_values(_KEYS_NMEA, 0),))


def is_model_key(buf, at: int) -> bool:
    """True if the four bytes at `at` are the key of the dynamic model."""
    return buf[at] == 0x21 and buf[at + 1] == 0x00 and buf[at + 2] == 0x11 and buf[at + 3] == 0x20

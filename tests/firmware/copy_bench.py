"""Flights with a second copy in a flash of their own, and what can be read back from it (MicroPython only)."""

import struct

from shared_protocol import frame, records, scan
from shared_protocol.crc import frame_salt
from tests.firmware.flight_bench import GOOD_SETTINGS, Flight
from tests.firmware.ram_card import formatted_card
from tests.firmware.ram_flash import RamFlash, RamFlashChip


def settings(size_kib):
    """A settings file with a copy of this size."""
    import json

    return json.dumps(dict(GOOD_SETTINGS, copy_size_kib=size_kib)).encode()


def no_card():
    card = formatted_card(12288)
    card.present = False
    return card


def sectors_of(flash):
    """(number, header, bytes) of every sector of the copy, in their order."""
    found = []
    for name in flash.names():
        data = flash.open("copy/" + name, "rb").read()
        assert len(data) % 512 == 0
        for at in range(0, len(data), 512):
            sector = data[at : at + 512]
            header = frame.decode_header(sector)
            assert header is not None and header[5] & frame.SECOND_COPY
            found.append((header[2], header, sector))
    return sorted(found)


def frames_of(flash, kind):
    """(log id, boot, seq, t_ms, payload) of every frame of a kind."""
    found = []
    for _number, header, sector in sectors_of(flash):
        if header[4] == frame.KIND_FRAMES:
            salt = frame_salt(header[0], header[1])
            for _at, what, seq, t_ms, payload in scan.frames(sector, salt, frame.HEADER_SIZE):
                if what == kind:
                    found.append((header[0], header[1], seq, t_ms, payload))
    return found


def events_of(flash, code):
    """(a, b) of each such event."""
    payloads = [struct.unpack("<HBBii", entry[4]) for entry in frames_of(flash, records.EVENT)]
    return [entry[3:] for entry in payloads if entry[0] == code]


def fresh_flash(blocks=96):
    return RamFlash(RamFlashChip(blocks))


def after_power_cut(flash):
    """What the next power-up finds: the same chip, mounted anew."""
    return RamFlash(flash.chip)


__all__ = ("Flight", "after_power_cut", "events_of", "frames_of", "fresh_flash", "no_card", "sectors_of", "settings")

"""What a board on the bench says of itself."""

import struct
from dataclasses import dataclass

from shared_protocol import link


@dataclass(frozen=True)
class Hello:
    """What the board says of itself.

    Attributes
    ----------
    firmware, micropython, machine : str
    board_id : str
        Serial number, hexadecimal.
    boot : int
        Power-up counter.
    log_id : int or None
        Of the log on the card; None without a card.
    settings_crc : str or None
        CRC-32 of its settings.json, hexadecimal; None without one.
    build : str or None
        CRC-32 of its list of installed files, hexadecimal; None without one.
    settings_defaulted : bool
        Whether a setting was missing or made no sense.
    session : int
    """

    firmware: str
    micropython: str
    machine: str
    board_id: str
    boot: int
    log_id: int | None
    settings_crc: str | None
    build: str | None
    settings_defaulted: bool
    session: int


def named(kind, payload):
    """Fields of a link record by name, as they are."""
    fields = next(fields for number, _name, fields in link.LINK_RECORDS if number == kind)
    return dict(zip([field[0] for field in fields], struct.unpack(link.link_format(kind), payload), strict=True))


def hello_of(payload):
    """The hello in a frame's payload."""
    values = named(link.HELLO, payload)

    def text(name):
        return values[name].rstrip(b"\0").decode("ascii", "replace")

    return Hello(
        firmware=f"{values['firmware'] >> 8}.{values['firmware'] & 255}",
        micropython=text("micropython"),
        machine=text("machine"),
        board_id=values["board_id"].hex(),
        boot=values["boot"],
        log_id=values["log_id"] or None,
        settings_crc=f"{values['settings_crc']:08x}" if values["settings_crc"] else None,
        build=f"{values['build']:08x}" if values["build"] else None,
        settings_defaulted=bool(values["flags"] & 2),
        session=values["session"],
    )

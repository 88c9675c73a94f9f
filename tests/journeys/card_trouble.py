"""Trouble with the card in flight: what of the readings reaches card or flash, counted frame by frame."""

import itertools
import json
import struct

from ground.simulator.flight import fly
from ground.simulator.scenario import load_scenario, parse_scenario
from shared_protocol import frame, records, scan
from shared_protocol.crc import frame_salt
from shared_protocol.event_text import EVENTS

S = 1_000_000
AT_S = 60
NAMES = {code: name for code, name, _ in EVENTS}

# what else of the scenario and of the flight is different; free_mib is what other files leave on the card
SETS = {
    "full at power-up": {"card": {"free_mib": 0.0}},
    "full after 4 minutes": {"card": {"free_mib": 0.14}, "seconds": 420},
    "log at its end, room for another": {
        "card": {"size_mib": 16, "free_mib": 1.5}, "seconds": 2200, "settings": {"log_size_mib": 1},
    },
}  # fmt: skip

# kind of trouble: (interface, faults, end of the trouble [s] or None)
KINDS = {
    "none": ("spi", [], None),
    "pulled for 2 s": ("spi", [{"kind": "card_removed", "at_us": AT_S * S, "for_us": 2 * S}], 62),
    "pulled for 30 s": ("spi", [{"kind": "card_removed", "at_us": AT_S * S, "for_us": 30 * S}], 90),
    "pulled for good": ("spi", [{"kind": "card_removed", "at_us": AT_S * S}], None),
    "absent, put in at 60 s": ("spi", [{"kind": "card_removed", "at_us": 0, "for_us": AT_S * S}], 60),
    "never there": ("spi", [{"kind": "card_removed", "at_us": 0}], None),
    "write-protected for 30 s": ("spi", [{"kind": "card_refuses", "at_us": AT_S * S, "for_us": 30 * S}], 90),
    "busy 250 ms a block, 20 s": (
        "spi", [{"kind": "card_stalls", "at_us": AT_S * S, "for_us": 20 * S, "busy_ms": 250}], 80,
    ),
    "busy 800 ms a block, 20 s": (
        "spi", [{"kind": "card_stalls", "at_us": AT_S * S, "for_us": 20 * S, "busy_ms": 800}], 80,
    ),
    "busy 2 s with one block": (
        "spi", [{"kind": "card_stalls", "at_us": AT_S * S, "for_us": 1 * S, "busy_ms": 2000}], 63,
    ),
    "port's driver, 2 s a block": (  # it waits for the card itself; when the trouble begins the ring is full
        "block",
        [
            {"kind": "card_removed", "at_us": AT_S * S, "for_us": 11 * S // 2},
            {"kind": "card_stalls", "at_us": AT_S * S, "for_us": 30 * S, "busy_ms": 2000},
        ],
        100,
    ),
    "full at power-up": ("spi", [], None),
    "full after 4 minutes": ("spi", [], None),
    "log at its end, room for another": ("spi", [], None),
    "4 dead sectors": ("spi", [{"kind": "card_dies", "at_us": AT_S * S, "blocks": 4}], 65),
    "60 dead sectors": ("spi", [{"kind": "card_dies", "at_us": AT_S * S, "blocks": 60}], 100),
}  # fmt: skip


class Trouble:
    """One flight with it. `card` and `flash` map (boot, type, seq, t_ms) to the payload of every frame there."""

    def __init__(self, folder, interface, faults, seconds=150, card=None, settings=None):
        raw = load_scenario("calm").model_dump(exclude_unset=True)
        raw["card"] = {"interface": interface, **(card or {})}
        flash = folder / "flash"
        flash.mkdir(parents=True)
        self.flight = fly(
            parse_scenario(raw, "trouble"), folder, faults=faults, stop_after_s=seconds, flash_folder=flash,
            settings={"log_size_mib": 2, **(settings or {})},
        )  # fmt: skip
        self.ids = set()
        self.card = self._frames((folder / "card.img").read_bytes(), second=False)
        parts = sorted((flash / "copy").glob("part*.log"))
        self.flash = self._frames(b"".join(part.read_bytes() for part in parts), second=True)
        self.seconds = seconds

    def _frames(self, data, second):
        found = {}
        at = data.find(frame.sector_mark())
        while at >= 0:
            sector = data[at : at + frame.SECTOR_SIZE]
            header = frame.decode_header(sector) if at % frame.SECTOR_SIZE == 0 else None
            if header is not None and bool(header[5] & frame.SECOND_COPY) == second:
                self.ids.add(header[0])
                if header[4] == frame.KIND_FRAMES:
                    salt = frame_salt(header[0], header[1])
                    for _at, kind, seq, t_ms, payload in scan.frames(sector, salt, frame.HEADER_SIZE):
                        found[(header[1], kind, seq, t_ms)] = payload
            at = data.find(frame.sector_mark(), at + 1)
        return found

    def times(self, kind, where):
        """When the readings of a kind were taken, of those that are in `where`. [s]"""
        return sorted(t_ms / 1000 for _boot, found, _seq, t_ms in where if found == kind)

    def gap_s(self, where):
        """The longest time without a pressure reading, from the first second to the end."""
        times = [1.0, *self.times(records.PRESSURE, where), float(self.seconds)]
        return max(after - before for before, after in itertools.pairwise(times))

    def lost_s(self, where):
        """Seconds without a single pressure reading, of all whole seconds in which there could be one."""
        seconds = {int(time) for time in self.times(records.PRESSURE, where)}
        return sum(second not in seconds for second in range(2, self.seconds - 2))

    def missing(self, where):
        """How many frames of the first boot are in neither place, between the first and the last that are."""
        seqs = {seq for boot, _, seq, _ in where if boot == 1}
        return max(seqs) - min(seqs) + 1 - len(seqs)

    def events(self):
        """(seconds, name, a, b) of every event, in order of time."""
        told = []
        for (_boot, kind, seq, t_ms), payload in {**self.card, **self.flash}.items():
            if kind == records.EVENT:
                code, _source, _unit, a, b = struct.unpack("<HBBii", payload)
                told.append((t_ms / 1000, seq, NAMES[code], a, b))
        return [(time, name, a, b) for time, _seq, name, a, b in sorted(told)]

    def names(self):
        return [name for _time, name, _a, _b in self.events()]

    def loop_ms_max(self):
        """The longest turn of the loop that a health record tells of. [ms]"""
        both = {**self.card, **self.flash}
        health = [payload for (_, kind, _, _), payload in both.items() if kind == records.HEALTH]
        return max(struct.unpack_from("<H", payload)[0] for payload in health)


def fly_kind(folder, kind):
    """A flight with one of KINDS."""
    interface, faults, _end = KINDS[kind]
    return Trouble(folder, interface, json.loads(json.dumps(faults)), **SETS.get(kind, {}))

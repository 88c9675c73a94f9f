"""Faults at random times, every kind the simulator has, as the virtual board takes them.

A part has one fault at a time and a minute of peace between two; different parts may be hurt together.
"""

import random

from ground.simulator.board.faults import KINDS

CARD, SUPPLY = "card", "supply"
_I2C, _WIRE, _PIN, _UART = ("pressure", "panel"), ("outside", "inside"), ("battery",), ("gnss",)
_CHIPS = {
    "missing_chip": _I2C + _WIRE + _PIN + _UART,
    "wrong_id": _I2C + _WIRE,
    "swapped_chip": _I2C,
    "stuck_bus": _I2C + _WIRE,
    "bit_flips": _I2C + _WIRE + _UART,
    "late_answer": _I2C + _WIRE,
    "frozen_value": _I2C + _WIRE + _PIN,
    "brown_out": _I2C + _WIRE,
}
_OTHERS = {"pressure": "bmp280", "panel": "ina226"}  # parts that can have the same address
_CARD_KINDS = ("card_removed", "card_slow", "card_stalls", "card_dies", "card_refuses", "card_bit_flips")
_SUPPLY_KINDS = ("power_cut",)
_RECEIVER_KINDS = ("receiver_restart",)
_AT_WRITES = ("power_cut_at_write", "power_cut_at_flash_write")
_PEACE_S = 60.0
_BEGIN_S = 60.0
_LONGEST_S = 120.0


KNOWN = {*_CHIPS, *_CARD_KINDS, *_SUPPLY_KINDS, *_RECEIVER_KINDS, *_AT_WRITES}


def kinds_used(interface):
    """Kinds that random_faults() draws from; a card that is no SPI card has no wires to be disturbed."""
    return (KNOWN & set(KINDS)) - (set() if interface == "spi" else {"card_bit_flips"}) - set(_AT_WRITES)


def random_faults(seconds, seed, *, per_hour, quiet_s=(0.0, 0.0), interface="block"):
    """Faults of `seconds` of world time, by their times; no power cut within `quiet_s` (begin, end)."""
    chance = random.Random(f"soak faults/{seed}")
    kinds = sorted(kinds_used(interface))
    free_s: dict[str, float] = {}
    faults = []
    count = round(seconds / 3600 * per_hour)
    for number, at_s in enumerate(sorted(chance.uniform(_BEGIN_S, seconds - 300.0) for _ in range(count))):
        kind = kinds[number % len(kinds)] if number < len(kinds) else chance.choice(kinds)
        fault = {"kind": kind, "at_us": round(at_s * 1e6), "for_us": round(chance.uniform(2.0, _LONGEST_S) * 1e6)}
        part = _aimed(fault, chance)
        if kind == "power_cut" and quiet_s[0] <= at_s < quiet_s[1]:
            continue
        if at_s < free_s.get(part, 0.0):
            continue
        free_s[part] = at_s + fault.get("for_us", 0) / 1e6 + _PEACE_S
        faults.append(fault)
    return faults


def _aimed(fault, chance):
    """Give the fault its chip and details; the part that it befalls."""
    kind = fault["kind"]
    if kind in _CARD_KINDS:
        if kind == "card_stalls":
            fault["busy_ms"] = chance.randrange(250, 2001)
        if kind == "card_dies":
            fault["blocks"] = chance.randrange(1, 13)
        return CARD
    if kind in _SUPPLY_KINDS:
        fault["for_us"] = round(chance.uniform(0.5, 30.0) * 1e6)
        return SUPPLY
    if kind in _RECEIVER_KINDS:
        fault["for_us"] = round(chance.uniform(0.0, 5.0) * 1e6)
        fault["cold"] = chance.random() < 0.3
        return "gnss"
    fault["chip"] = chance.choice(_CHIPS[kind])
    if kind == "swapped_chip":
        fault["by"] = _OTHERS[fault["chip"]]
    if kind == "brown_out" and fault["chip"] in _I2C:
        del fault["for_us"]
    elif kind == "brown_out":
        fault["for_us"] = 150_000
    return fault["chip"]


def cuts_at_writes(first, last, count, seed):
    """Power cuts in the middle of block writes, torn and garbage, by chance between two numbers of writes.

    Highest number first: the card has one hook, and of the cuts still to come the last one armed is the next.
    """
    chance = random.Random(f"soak cuts/{seed}")
    numbers = sorted((chance.randrange(first, last) for _ in range(count)), reverse=True)
    return [
        {
            "kind": "power_cut_at_write",
            "write": number,
            "manner": chance.choice(("clean", "torn", "garbage", "lost")),
            "bytes": chance.randrange(1, 512),
            "for_us": 2_000_000,
        }
        for number in numbers
    ]

"""What came from which copy, in plain words: the card's log, the second copy in the board's flash, other sources."""

from ground.decode.account.losses import between
from ground.decode.account.stretches import THINNED
from ground.decode.choice import label
from ground.decode.copies import CARD, FLASH
from ground.decode.moments import iso
from shared_protocol.second_copy import PERIOD_MS

_TOLD_MAX = 3  # stretches that are named one by one
_SET = f"one set of readings each {PERIOD_MS // 1000} s"


def found_by(log, source):
    """How a log was found, in a few words for `logs` in integrity.json."""
    if not log.on_card:
        return "the second copy in the board's flash"
    if log.file is None:
        return "its sectors, without a name" if source.has_headers else "its frames alone"
    return "the name of its file" if source.kind in ("log", "folder") else "its name on the card"


def told_of_copies(decoded, parts, stretches):
    """Sentences without their full stop; none where there is but the card, whole or not.

    Parameters
    ----------
    decoded : convert.Decoded
    parts : list of together.Part
    stretches : list of (BootFrames, stretches.Stretch)
    """
    origin = decoded.origin
    if origin is None:
        return []
    said = [
        f"{part.name} gave nothing to this flight: it is of another one ({_logs_of(decoded)}); "
        "decode it by itself, or choose with --log"
        for number, part in enumerate(parts)
        if not (origin.by_part.get(number) and origin.by_part[number].frames)
    ]
    if origin.is_copy_only and not any(boot.missing for boot in decoded.boots):
        said.append(
            "nothing of the card is here: all of this is from the second copy in the board's flash, and complete"
        )
    elif origin.is_copy_only:
        said.append(
            f"nothing of the card is here: all of this is the second copy from the board's flash, {_SET} and every "
            "event; the readings in between are on the card only"
        )
    elif origin.is_merged:
        said += _merged(decoded, stretches)
    return said


def _merged(decoded, stretches):
    card, flash = (decoded.origin.by_copy[name] for name in (CARD, FLASH))
    both = flash.frames - flash.alone
    if not flash.alone:
        return [
            f"the second copy in the board's flash has nothing that the card lacks; {both:,} records are in both "
            "and are the same"
        ]
    said = [
        f"the card and the second copy in the board's flash were put together: {card.frames:,} records from the card, "
        f"{flash.alone:,} that only the flash has; {both:,} are in both and are the same"
    ]
    filled = [(boot, one.from_ms, one.to_ms, f"fills in: {_records(one.filled)}, at least {_SET}")
              for boot, one in stretches if one.has == THINNED]  # fmt: skip
    filled += [(boot, from_ms, to_ms, f"has that time whole: {_records(count)}")
               for boot, one in stretches for from_ms, to_ms, count in one.lent]  # fmt: skip
    filled.sort(key=lambda hole: hole[1] - hole[2])
    for boot, from_ms, to_ms, gift in filled[:_TOLD_MAX]:
        when = between(decoded.lines.get(boot.key), from_ms, to_ms)
        said.append(f"the card has nothing {when} (boot {boot.boot}), and the second copy {gift}")
    if len(filled) > _TOLD_MAX:
        said.append(f"the second copy fills {len(filled) - _TOLD_MAX} shorter holes of the card")
    return said


def _records(count):
    return f"{count:,} record{'s' if count != 1 else ''}"


def _logs_of(decoded):
    others = [log for log in decoded.logs if not log.chosen]
    if not others:
        return "no log of its own was found"
    return ", ".join(f"{label(log)}{f' of {iso(log.first_ms)[:10]}' if log.first_ms else ''}" for log in others[:3])

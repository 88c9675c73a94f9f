"""Makes card and flash for a flight: empty ones with their file systems, or copies of older ones."""

import json
import tempfile
from pathlib import Path

from ground.errors import InputError
from ground.simulator.board_description import REPOSITORY
from ground.simulator.boot_process import format_card, format_flash

_MEBI = 1 << 20
_KIBI = 1 << 10
_PIECE = 1 << 16


def prepare_card(interpreter, image, older, size_mib, free_mib=None):
    """The card's image: a copy of `older`, or an empty volume. Raises InputError for one that cannot be read.

    With `free_mib` other files take all of the empty volume but that.
    """
    if older is not None:
        _copy(older, image, "a card")
        return
    with open(image, "wb") as file:
        file.truncate(size_mib * _MEBI)
    format_card(interpreter, image.resolve(), REPOSITORY, free_mib)


def prepare_flash(interpreter, image, older, size_kib, settings, scratch):
    """The flash's image with settings.json in it: a copy of `older`, or an empty file system. Raises InputError."""
    if older is None:
        image.write_bytes(b"\xff" * (size_kib * _KIBI))
    elif not (image.exists() and Path(older).exists() and Path(older).samefile(image)):
        _copy(older, image, "a flash")
    with tempfile.NamedTemporaryFile("w", dir=scratch, suffix=".json", encoding="utf-8") as file:
        json.dump(settings, file)
        file.flush()
        format_flash(interpreter, image.resolve(), REPOSITORY, file.name)


def copy_sparse(source, goal):
    """Copy an image so that it takes no more room than its data: noughts become holes. May raise OSError."""
    with open(source, "rb") as old, open(goal, "wb") as new:
        size = old.seek(0, 2)
        new.truncate(size)
        old.seek(0)
        for at in range(0, size, _PIECE):
            piece = old.read(_PIECE)
            if piece.count(0) != len(piece):
                new.seek(at)
                new.write(piece)


def _copy(older, image, what):
    try:
        copy_sparse(older, image)
    except OSError as error:
        raise InputError(f"{older}: cannot be read ({error.strerror}); give an image of {what}") from None

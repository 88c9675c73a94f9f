"""What went wrong before the board reset itself: kept in flash until the next start puts it into the log."""

import os

_PATH = "last_words.txt"
_SIZE_MAX = 160


def save(error: Exception) -> None:
    """Write down the error's kind and text; a flash that can't be written is no reason to fail again."""
    try:
        with open(_PATH, "w") as file:
            file.write((type(error).__name__ + ": " + str(error))[:_SIZE_MAX])
    except OSError:
        pass


def take() -> str:
    """The words that were left, once; "" if there are none."""
    try:
        with open(_PATH) as file:
            words = file.read()
        os.remove(_PATH)
    except (OSError, ValueError):
        return ""
    return words

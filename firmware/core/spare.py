"""Giving back the memory of code that is only needed now and then.

Everything that starts the board or opens a log (a fifth of the firmware, and the table of all records) is imported when
it is needed and forgotten afterwards; the next time it is loaded from flash again, 20 ms a module. It works because the
rest of the firmware keeps whole numbers of these modules and none of their functions.
"""

import sys

# What it takes to look for a log or to arm one.
LOG_OPENING = (
    "firmware.core.log_search",
    "firmware.core.log_arm",
    "shared_protocol.layout",
    "shared_protocol.event_text",
    "shared_protocol.frame",
    "shared_protocol.records",
)

# What it takes to get the loop running.
STARTING = (
    "firmware.start_up",
    "firmware.instruments",
    "firmware.board",
    "firmware.core.settings",
    "firmware.core.boots",
    "firmware.core.last_words",
    "firmware.status",  # nothing but numbers, and everybody has taken theirs
)


def forget(names) -> None:
    """Drop modules, so that the next collection frees them. CPython has memory enough and keeps them."""
    modules = sys.modules
    if sys.implementation.name != "micropython":
        return
    for name in names:
        modules.pop(name, None)
        place = name.rfind(".")
        package = modules.get(name[:place])
        if hasattr(package, name[place + 1 :]):
            delattr(package, name[place + 1 :])

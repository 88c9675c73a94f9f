"""Giving back the memory of code that is only needed now and then.

Everything that starts the board or opens a log (a fifth of the firmware, and the table of all records) is imported when
it is needed and forgotten afterwards; the next time it is loaded from flash again, 20 ms a module. It works because the
rest of the firmware keeps whole numbers of these modules and none of their functions. Once everything is built, the
constructors of what has been built go as well: they are as long as all the attributes they set.
"""

import sys

# What it takes to look for a log or to arm one; each module behind those that it needs itself, see load().
LOG_OPENING = (
    "shared_protocol.records",
    "shared_protocol.frame",
    "shared_protocol.event_text",
    "shared_protocol.layout",
    "shared_protocol.second_copy",
    "firmware.core.copy_parts",
    "firmware.core.log_arm",
    "firmware.core.log_search",
)
LOG_TEXT = LOG_OPENING[:4]

# What it takes to get the loop running.
STARTING = (
    "firmware.start_up",
    "firmware.instruments",
    "firmware.board",
    "firmware.core.settings",
    "firmware.core.boots",
    "firmware.core.last_words",
    "firmware.core.copy_search",
    "firmware.status",  # nothing but numbers, and everybody has taken theirs
)


def load(names) -> None:
    """Import modules one after the other.

    An import within an import takes 600 bytes of stack, and in flight it comes on top of a dozen calls; the rp2 port
    has 8 kB in all, interrupts included (ports/rp2/CMakeLists.txt, PICO_STACK_SIZE). Loaded in order none is nested.
    """
    for name in names:
        __import__(name)


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


def forget_constructors() -> None:
    """Drop the constructors of all classes of the firmware that are in memory now; nothing may be made of them again.

    A class of a module that is imported later (the search for a log, say) has its own. On CPython nothing happens.
    """
    if sys.implementation.name != "micropython":
        return
    for name in list(sys.modules):
        if name.startswith("firmware."):
            module = sys.modules[name]
            for entry in dir(module):
                owned = getattr(module, entry)
                if isinstance(owned, type) and "__init__" in owned.__dict__:
                    # Only overwriting lets go of it: a name deleted from a class leaves its value in the class's table.
                    setattr(owned, "__init__", None)  # noqa: B010 (a type checker forbids the plain form)
                    delattr(owned, "__init__")

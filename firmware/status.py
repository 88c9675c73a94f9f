"""How a call to a driver went: one small integer, because returning one allocates nothing and dropping one is visible.

A driver never raises for what a chip or a wire does; it says one of these. Unless it says OK, its last values stay.
"""

from shared_protocol.compat import const

OK = const(0)
NOT_READY = const(1)  # asked too early: ask again later
BUS_FAULT = const(2)  # nobody acknowledged, or the bus is stuck
CRC_FAULT = const(3)  # something answered, and the check sum says it was hurt on the way
WRONG_CHIP = const(4)  # something answered that is not the part this driver was written for
ABSENT = const(5)  # nothing was found where the part should be
TIMEOUT = const(6)  # it began and did not finish within its data sheet's time
REFUSED = const(7)  # the part understood and said no, or read back something else than was written
AFTER_RESET = const(8)  # a valid answer that is the part's power-on value: it restarted, or never converted
IMPLAUSIBLE = const(9)  # a value that cannot follow the one before: hurt on the way, or of another part

NAMES = ("ok", "not ready", "bus fault", "crc fault", "wrong chip", "absent", "timeout", "refused", "after reset",
         "implausible")  # fmt: skip

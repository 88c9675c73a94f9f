"""A GNSS receiver on a UART shaped like machine.UART."""

from firmware.core.gnss_epoch import Ecef, Fix
from shared_protocol import events

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.buses import Uart


class GnssReceiver:
    """Call poll() often; take `fix` when `fix_ready`, `ecef` when `ecef_ready`, the event when `event_code` is not 0.

    The caller sets fix_ready / ecef_ready to False and event_code to 0 when it has taken them; what comes meanwhile
    waits (bytes in the buffer, events in a short queue), so call poll() again until nothing is ready any more.
    """

    def __init__(self, uart: "Uart", baud: int = 9600, airborne_model: int = 6):
        self._uart = uart
        self.fix = Fix()
        self.fix_ready = False
        self.ecef = Ecef()
        self.ecef_ready = False
        self.state = events.GNSS_NO_ANSWER
        self.pressure_altitude_m = None  # handed in by the phase task; None: not known
        self.bad = 0  # messages with a wrong check sum
        self.bytes_seen = 0
        self.event_code = 0  # events.GNSS_*, 0: none
        self.event_a = 0
        self.event_b = 0

    def poll(self, now_ms: int) -> None:
        """Read what is there, move the configuration on by at most one step. Never waits, raises or allocates."""

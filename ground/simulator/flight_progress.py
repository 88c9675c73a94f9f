"""Turns world time into the share of a flight that is done, and a line about it."""

from ground.simulator.world import PHASES


class FlightProgress:
    """Called with world time every minute of it; tells `progress(share, text)`, if there is anybody to tell.

    Parameters
    ----------
    progress : callable or None
    world : World
    end_s : float
        When the flight will be over, as far as can be known. [s]
    """

    def __init__(self, progress, world, end_s):
        self._progress = progress
        self._end_s = end_s
        self._rows_per_s = 1000 // world.step_ms
        self._altitude, self._phase = world.columns["altitude_m"], world.columns["phase"]

    def __call__(self, world_s):
        if self._progress is None:
            return
        row = min(int(world_s * self._rows_per_s), len(self._altitude) - 1)
        phase = PHASES[int(self._phase[row])]
        text = f"{_hours(world_s)} of {_hours(self._end_s)}, {phase}, {self._altitude[row] / 1000:.1f} km"
        self._progress(min(1.0, world_s / self._end_s), text)


def _hours(seconds):
    return f"{int(seconds) // 3600}:{int(seconds) // 60 % 60:02d}"

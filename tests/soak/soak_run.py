"""Flies a soak and sums it up."""

from dataclasses import dataclass
from pathlib import Path

from ground.settings import Settings
from ground.simulator.flight import fly
from shared_protocol import events
from tests.soak.soak_faults import cuts_at_writes, random_faults
from tests.soak.soak_gaps import Gap, Recording, accounted_s, gaps
from tests.soak.soak_world import soak_world

HEAP_EVERY_S = 600.0
_LEAK_HOURS_MIN = 2.0  # a boot has to last so long for its heap to say anything
WRITES_A_SECOND = 1.0  # about; to place cuts at writes


@dataclass
class Summary:
    """What a soak showed."""

    result: object
    faults: list
    recording: Recording
    gaps: list[Gap]
    accounted_s: int  # that faults and restarts may have cost the stream of pressures
    growth: list  # of the heap after collection in each long boot: (hours, bytes at first, bytes at last)

    @property
    def unexplained(self):
        return [gap for gap in self.gaps if not gap.reason]

    @property
    def missing_s(self):
        """Seconds of all gaps in the pressures."""
        return sum(gap.end_s - gap.begin_s for gap in self.gaps if gap.stream == "pressure")

    @property
    def task_errors(self):
        return [one for one in self.recording.events if one[1] == events.TASK_ERROR]


def soak(
    folder, hours, seed, *, per_hour=6.0, quiet_h=(0.0, 0.0), cuts=(), interface="block", settings=None,
    card_mib=1024, progress=None,
):  # fmt: skip
    """Fly `hours` with faults; `cuts` is (first write, last write, how many) of cuts in the middle of a write."""
    world, scenario = soak_world(hours, seed)
    scenario = scenario.model_copy(
        update={"card": scenario.card.model_copy(update={"size_mib": card_mib, "interface": interface})}
    )
    quiet_s = tuple(hour * 3600 for hour in quiet_h)
    faults = random_faults(hours * 3600, seed, per_hour=per_hour, quiet_s=quiet_s, interface=interface)
    if cuts:
        faults += cuts_at_writes(*cuts, seed)
    result = fly(
        scenario, Path(folder), seed=seed, world=world, faults=faults, settings=settings, progress=progress,
        heap_every_s=HEAP_EVERY_S,
    )  # fmt: skip
    recording = Recording(result)
    factor = (settings or {}).get("landed_period_factor", Settings().landed_period_factor)
    found = gaps(recording, faults, result, factor)
    accounted = accounted_s(faults, result, "pressure")
    return Summary(result, faults, recording, found, accounted, heap_growth(result.boots))


def heap_growth(boots):
    """(hours, first bytes, last bytes) of boots that lasted: least of the first and of the last quarter of the looks.

    The collector takes for a reference what only looks like one, so a single look may be some kilobytes too high, never
    too low.
    """
    growth = []
    for boot in boots:
        looks = [used for _, used in boot["heap"]]
        hours = len(looks) * HEAP_EVERY_S / 3600
        if hours >= _LEAK_HOURS_MIN:
            quarter = len(looks) // 4
            growth.append((hours, min(looks[1 : quarter + 1]), min(looks[-quarter:])))
    return growth

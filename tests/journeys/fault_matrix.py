"""Every chip, every fault, every phase of the flight: the schedule of the faults, and what has to come of each.

One flight fills one phase (fault_world.py) with one set of chips. Faults come one after another, each in a slot of
its own with time to recover; at the end the chips are lost for good, one by one. A cell of the matrix is one slot,
judged by what is on the card alone:

- the event that names the fault, from the right part, not before it and within `event_s`; none where none can be known;
- every other chip's records, complete throughout the slot (a stuck bus is everybody's who sits on it);
- the chip's own records, back within BACK_S of the end of the fault;
- no task failed, no power-up that was not ordered, no turn of the loop longer than 250 ms.
"""

from dataclasses import dataclass, field

import numpy as np

from ground.simulator.scenario import load_scenario, parse_scenario
from tests.journeys.fault_world import PHASES, bent_world
from tests.journeys.flights import fly_and_decode

TURN_MS_MAX = 250
BACK_S = 14.0  # the longest pause between two tries is 8 s
BOOT_S = 2.0  # power-up to the first records
SETTINGS = {"health_period_ms": 1000, "landed_period_factor": 4, "log_size_mib": 16}
SLOWER = 4  # the same factor, for what is expected of a landed box

_ABSENT, _MINUTE, _GOOD, _WRONG, _STUCK, _CRC, _FROZEN, _BROWN = (
    "absent at power-up", "lost for a minute", "lost for good", "wrong id", "stuck low bus", "CRC errors",
    "frozen value", "brown-out",
)  # fmt: skip
FAULTS = (_ABSENT, _MINUTE, _GOOD, _WRONG, _STUCK, _CRC, _FROZEN, _BROWN)

_KIND = {
    _ABSENT: "missing_chip", _MINUTE: "missing_chip", _GOOD: "missing_chip", _WRONG: "wrong_id", _STUCK: "stuck_bus",
    _CRC: "bit_flips", _FROZEN: "frozen_value", _BROWN: "brown_out",
}  # fmt: skip
_FAULT_S = {_ABSENT: 15.0, _MINUTE: 60.0, _GOOD: 0.0, _WRONG: 12.0, _STUCK: 8.0, _CRC: 15.0, _FROZEN: 0.0, _BROWN: 0.0}

I2C, ONEWIRE, UART, PIN = "i2c", "one-wire", "uart", "pin"


@dataclass(frozen=True)
class Chip:
    """A chip of a set: its name in the scenario, its bus, where its records are, and how often they come. [s]"""

    name: str
    kind: str
    bus: str
    source: str
    unit: int
    table: str
    period_s: float
    marks: tuple = ()  # (column, value) that tells its records from others in the table

    def can_have(self, fault):
        """Whether this can befall it at all."""
        if fault in (_WRONG, _STUCK):
            return self.bus in (I2C, ONEWIRE)
        if fault == _CRC:
            return self.bus != PIN
        if fault == _FROZEN:
            return self.bus != UART  # a receiver that repeats itself: gnss_matrix.py
        return fault != _BROWN or self.bus != PIN

    def needs_height(self):
        """Whether a frozen word can only be told from a quiet one by the height that the box has moved."""
        return self.table != "pressure"


def _pressure(kind):
    return Chip("pressure", kind, I2C, "pressure", 0, "pressure", 0.1)


def _power(kind):
    return Chip("panel", kind, I2C, "power", 0, "power", 0.2)


def _probe(name, kind, unit):
    bus = I2C if kind == "tmp117" else ONEWIRE
    return Chip(name, kind, bus, "temperature", unit, "temperature", 1.0, (("probe", name),))


BATTERY = Chip("battery", "adc", PIN, "battery", 0, "health", 1.0)
RECEIVER = Chip("gnss", "receiver", UART, "gnss", 0, "fix", 1.0)

# name -> (the chips in it, those whose faults are tried, tables of the scenario)
SETS = {
    "first": (
        [_pressure("ms5611"), _power("ina219"), _probe("outside", "ds18b20", 0), _probe("inside", "ds18b20", 1),
         BATTERY, RECEIVER],
        ["pressure", "panel", "outside", "battery", "gnss"],
        {},
    ),
    "second": (
        [_pressure("bmp280"), _power("ina226"), _probe("outside", "tmp117", 0), _probe("inside", "ds18b20", 1),
         BATTERY, RECEIVER],
        ["pressure", "panel", "outside"],
        {"pressure": [{"chip": "bmp280", "name": "pressure", "address": 0x76}],
         "power": [{"chip": "ina226", "name": "panel"}],
         "temperature": [{"chip": "tmp117", "name": "outside", "place": "outside"},
                         {"chip": "ds18b20", "name": "inside", "place": "inside"}]},
    ),
    "third": (
        [_pressure("bme280"), _power("ina219"), _probe("outside", "ds18b20", 0), _probe("inside", "ds18b20", 1),
         BATTERY, RECEIVER],
        ["pressure"],
        {"pressure": [{"chip": "bme280", "name": "pressure", "address": 0x76}]},
    ),
}  # fmt: skip


@dataclass
class Cell:
    """One slot and what came of it. Times are seconds after the first power-up."""

    chip: Chip
    fault: str
    phase: str
    begin_s: float
    end_s: float  # of the fault
    until_s: float  # of the slot
    seen: str = ""  # the event that named it
    after_s: float = float("nan")
    faults_found: list = field(default_factory=list)  # what is wrong with the cell; empty is good


def schedule(set_name, phase):
    """The cells of one flight, from second 0 of its window on, and how long that is."""
    chips, names, _ = SETS[set_name]
    tried = [chip for chip in chips if chip.name in names]
    slower = SLOWER if phase == "landed" else 1
    cells, at = [], 5.0
    for fault in (_ABSENT, _WRONG, _STUCK, _CRC, _BROWN, _FROZEN, _MINUTE):
        for chip in tried:
            if chip.can_have(fault):
                lasts = _FAULT_S[fault]
                if fault == _FROZEN:
                    lasts = _frozen_s(chip, slower)
                elif slower > 1 and lasts:
                    lasts = max(lasts, 40.0 if fault == _CRC else 20.0)
                pause = BACK_S + 4.0 * chip.period_s * slower
                cells.append(Cell(chip, fault, phase, at, at + lasts, at + lasts + pause))
                at += lasts + pause + 1.5 * slower  # the next cut may cost the sector that is open
    for chip in tried:
        cells.append(Cell(chip, _GOOD, phase, at, float("inf"), at + 8.0 * slower + 4.0))
        at += 8.0 * slower + 4.0
    return cells, at + 6.0 * slower


def _frozen_s(chip, slower):
    """Long enough for what firmware/core/freeze.py asks for: 700 m at 9 m/s and 180 readings, or 30 readings."""
    if not chip.needs_height():
        return 8.0 * slower
    if slower > 1:
        return 80.0  # nothing can be known, and nothing must be said
    return 200.0 if chip.table == "temperature" else 95.0


def fault_list(cells, begin_s):
    """The cells as the virtual board takes them; shifts the cells to seconds after power-up."""
    faults = []
    for cell in cells:
        cell.begin_s, cell.end_s, cell.until_s = (t + begin_s for t in (cell.begin_s, cell.end_s, cell.until_s))
        fault = {"kind": _KIND[cell.fault], "chip": cell.chip.name, "at_us": round(cell.begin_s * 1e6)}
        if cell.fault == _BROWN and cell.chip.bus == UART:
            fault["kind"] = "receiver_restart"
        if np.isfinite(cell.end_s) and cell.end_s > cell.begin_s and cell.fault != _STUCK:
            fault["for_us"] = round((cell.end_s - cell.begin_s) * 1e6)
        if cell.fault == _BROWN and cell.chip.bus == ONEWIRE:
            # Between a reading and the next start, a tenth of the time, a dip costs a DS18B20 nothing and leaves no
            # trace.
            fault["for_us"] = 150_000
        if cell.fault == _STUCK and cell.chip.bus == ONEWIRE:
            fault["for_us"] = round((cell.end_s - cell.begin_s) * 1e6)
        if cell.fault == _ABSENT:
            faults.append({"kind": "power_cut", "at_us": fault["at_us"] + 1_000_000, "for_us": 1_000_000})
        faults.append(fault)
    return faults


def fly_phase(folder, set_name, phase):
    """Fly one set of chips through all faults in one phase; the judged cells and the flight."""
    cells, window_s = schedule(set_name, phase)
    world, begin_s = bent_world(phase, window_s)
    faults = fault_list(cells, begin_s)
    raw = load_scenario("calm").model_dump(exclude_unset=True)
    sensors = SETS[set_name][2]
    scenario = parse_scenario(raw | ({"sensors": sensors} if sensors else {}), "fault matrix")
    flown = fly_and_decode(folder, scenario, world=world, faults=faults, settings=SETTINGS)
    judge(cells, flown, SETS[set_name][0], phase)
    return cells, flown


# --- judging ---------------------------------------------------------------------------------------------------------


def expected_events(cell):
    """Names of events of which one has to be there, and by when; () if nothing can be known."""
    chip, fault = cell.chip, cell.fault
    period_s = chip.period_s * (SLOWER if cell.phase == "landed" else 1)
    lost_s = 4 * period_s + 2.0
    if chip.bus == UART:
        return {
            _ABSENT: (("gnss_state",), BOOT_S + 6.0), _CRC: (("chip_disturbed",), 10.0),
            _BROWN: (("gnss_restarted",), 15.0),
        }.get(fault, (("gnss_state",), 8.0))  # fmt: skip
    if fault == _ABSENT:
        return ("chip_missing",), BOOT_S + 2.0
    if fault in (_MINUTE, _GOOD):
        return ("chip_lost",), lost_s
    if fault == _WRONG:
        return (("chip_refused",) if chip.bus == I2C else ("chip_lost",)), lost_s + 4.0
    if fault == _STUCK:
        return ("bus_stuck",), 2 * period_s + 1.0
    if fault == _CRC:
        return ("chip_lost", "chip_disturbed", "chip_refused"), lost_s + 8.0
    if fault == _BROWN:
        return ("chip_restarted",), 2 * period_s + 1.0
    if chip.needs_height() and cell.phase in ("ground", "landed"):
        return (), 0.0
    return ("chip_frozen",), cell.end_s - cell.begin_s


def judge(cells, flown, chips, phase):
    """Fill in what was seen, and what is wrong."""
    starts = [boot["start_us"] / 1e6 + 0.25 for boot in flown.flight.boots]
    events = flown.table("event")
    event_s = _seconds(events, starts)
    slower = SLOWER if phase == "landed" else 1
    series = {chip.name: _series(flown, chip, starts) for chip in chips}
    everywhere = _whole_flight(flown, events, cells)
    gone = set()
    for cell in cells:
        cell.faults_found += everywhere
        _judge_event(cell, events, event_s)
        _judge_others(cell, [chip for chip in chips if chip.name not in gone], series, slower)
        if cell.fault == _GOOD:
            gone.add(cell.chip.name)
            if (series[cell.chip.name] > cell.begin_s + 1.5 * slower).any() and cell.chip.table not in (
                "health",
                "fix",
            ):
                cell.faults_found.append("records of a chip that is gone")
        else:
            _judge_return(cell, series[cell.chip.name], slower)
        _judge_flags(cell, flown, starts)


def _seconds(table, starts):
    return np.array([starts[boot - 1] + t_ms / 1000 for boot, t_ms in zip(table["boot"], table["t_ms"], strict=True)])


def _series(flown, chip, starts):
    table = flown.table(chip.table)
    keep = np.ones(len(table["t_ms"]), dtype=bool)
    for column, value in chip.marks:
        keep &= np.array(table[column]) == value
    return np.sort(_seconds(table, starts)[keep])


def _whole_flight(flown, events, cells):
    wrong = []
    if "task_error" in events["name"]:
        wrong.append(f"{events['name'].count('task_error')} task errors")
    ordered = 1 + sum(cell.fault == _ABSENT for cell in cells)
    if len(flown.flight.boots) != ordered or any(boot["escaped"] for boot in flown.flight.boots):
        wrong.append(f"{len(flown.flight.boots)} power-ups, {ordered} ordered")
    longest = max(flown.table("health")["loop_max_ms"])
    if longest > TURN_MS_MAX:
        wrong.append(f"a turn of {longest} ms")
    return wrong + flown.flight.complaints()


def _judge_event(cell, events, event_s):
    names, within_s = expected_events(cell)
    chip = cell.chip
    source, unit = ("bus", 0 if chip.bus == I2C else 1) if cell.fault == _STUCK else (chip.source, chip.unit)
    for at, name, from_source, from_unit in zip(event_s, events["name"], events["source"], events["unit"], strict=True):
        if (from_source, from_unit) != (source, unit) or not cell.begin_s - 0.5 <= at <= cell.until_s:
            continue
        if name in names and not cell.seen:
            cell.seen, cell.after_s = name, at - cell.begin_s
        if not names and name.startswith("chip_") and chip.bus != UART:
            cell.faults_found.append(f"{name}, where nothing can be known")
    if names and not cell.seen:
        cell.faults_found.append(f"no {' or '.join(names)}")
    elif names and cell.after_s > within_s:
        cell.faults_found.append(f"{cell.seen} after {cell.after_s:.1f} s, not {within_s:.1f}")


def _judge_others(cell, chips, series, slower):
    """No gap in anybody else's records; a power cut costs what it costs."""
    begin_s = cell.begin_s + (6.0 + 4.0 * (slower - 1) if cell.fault == _ABSENT else 0.0)
    for chip in chips:
        if chip.name == cell.chip.name:
            continue
        if cell.fault == _STUCK and chip.bus == cell.chip.bus == ONEWIRE:
            continue  # the whole wire is shorted
        allowed_s = 2.2 * chip.period_s * slower + (1.0 if cell.fault == _STUCK else 0.0)
        if cell.fault == _ABSENT and chip.bus == UART:
            continue  # it answers; its first fix after a cut takes its time
        gap_s = _longest_gap(series[chip.name], begin_s, cell.until_s)
        if gap_s > allowed_s:
            cell.faults_found.append(f"{chip.name}: a gap of {gap_s:.1f} s")


def _judge_return(cell, own, slower):
    """The chip's own records are there again."""
    back_s = cell.end_s + (0.0 if cell.end_s > cell.begin_s else 0.5)
    last = cell.until_s
    if not ((own > back_s) & (own <= last)).any():
        cell.faults_found.append("no records afterwards")
    if cell.fault == _FROZEN:
        gap_s = _longest_gap(own, cell.begin_s, cell.until_s)
        if gap_s > 2.2 * cell.chip.period_s * slower:
            cell.faults_found.append(f"frozen readings are missing: {gap_s:.1f} s")


_FLAGGED = {_FROZEN: "frozen", _BROWN: "after_reset", _CRC: "bus_error", _MINUTE: "after_reset", _WRONG: "bus_error"}


def _judge_flags(cell, flown, starts):
    """What was said in an event stands at the readings too: none has the flag before, and some from then on."""
    flag = _FLAGGED.get(cell.fault)
    chip = cell.chip
    if flag is None or not cell.seen or chip.table in ("health", "fix"):
        return
    table = flown.table(chip.table)
    times = _seconds(table, starts)
    flags = np.array(table["flags"], dtype=object)
    early_s = 1.0 + chip.period_s * (
        SLOWER if cell.phase == "landed" else 1
    )  # a record bears its conversion's beginning
    keep = (times > cell.begin_s - early_s) & (times < cell.until_s)
    for column, value in chip.marks:
        keep &= np.array(table[column]) == value
    has = np.array([flag in text.split("|") for text in flags[keep]])
    if not has.any():
        cell.faults_found.append(f"no reading is flagged {flag}")
    if cell.fault == _FROZEN:
        known = times[keep] > cell.begin_s + cell.after_s + 2.2 * chip.period_s
        frozen = times[keep] < cell.end_s - 2.2 * chip.period_s
        if not has[known & frozen].all():
            cell.faults_found.append("a frozen reading without its flag")
        if has[times[keep] > cell.end_s + 4.4 * chip.period_s * (SLOWER if cell.phase == "landed" else 1)].any():
            cell.faults_found.append("flagged frozen after the thaw")


def _longest_gap(times, begin_s, until_s):
    inside = times[(times > begin_s) & (times < until_s)]
    return float(np.diff(np.concatenate([[begin_s], inside, [until_s]])).max())


def rows_of(cells):
    """The matrix as text: a line for each chip and fault, a column for each phase."""
    lines = [f"{'chip':9} {'fault':19}" + "".join(f"{phase:>22}" for phase in PHASES)]
    keys = dict.fromkeys((cell.chip.kind, cell.fault) for cell in cells)
    for kind, fault in sorted(keys, key=lambda key: (key[0], FAULTS.index(key[1]))):
        line = f"{kind:9} {fault:19}"
        for phase in PHASES:
            found = [c for c in cells if (c.chip.kind, c.fault, c.phase) == (kind, fault, phase)]
            text = "" if not found else "WRONG" if found[0].faults_found else _shown(found[0])
            line += f"{text:>22}"
        lines.append(line)
    return lines


def _shown(cell):
    return (
        f"{cell.seen} {cell.after_s:.1f} s" if cell.seen else "ok, cannot be known" if cell.fault == _FROZEN else "ok"
    )

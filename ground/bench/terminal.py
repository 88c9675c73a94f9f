"""The live view in the terminal: readings with age, range and a small trend, and below them what the checks say."""

import numpy as np

from ground.bench.finding import NO_GO, NOT_CHECKED, WARNING
from ground.bench.live import EARLY_WORDS

_BLOCKS = "▁▂▃▄▅▆▇█"
_TREND_WIDTH_MAX = 30
_OTHER_WIDTH = 74  # of the columns beside the trend
_FINDINGS_MAX = 6


def sparkline(trend, span_min=0.0, width=24, span_s=60.0):
    """The last minute in `width` small blocks, blank where there was no reading.

    From its own lowest to its own highest, which are taken to be at least `span_min` apart.
    """
    if not trend:
        return ""
    before = np.array([when for when, _ in trend])
    values = np.array([value for _, value in trend])
    places = np.clip(((span_s - before) / span_s * width).astype(int), 0, width - 1)
    spread = max(np.ptp(values), span_min)
    low = (values.min() + values.max() - spread) / 2
    line = [" "] * width
    for place in np.unique(places):
        mean = values[places == place].mean()
        step = int((mean - low) / spread * (len(_BLOCKS) - 1) + 0.5) if spread > 0 else 3
        line[place] = _BLOCKS[step]
    return "".join(line)


def view(rows, judgement, header, footer, width=100):
    """Everything as one renderable of rich.

    Parameters
    ----------
    rows : list of LiveRow
    judgement : Judgement or None
        None: it is too early for one.
    header, footer : str
    width : int
        Of the terminal, in characters; 80 is enough.
    """
    from rich import box
    from rich.console import Group
    from rich.table import Table
    from rich.text import Text

    trend_width = min(max(width - _OTHER_WIDTH, 6), _TREND_WIDTH_MAX)
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, title=Text(header), title_justify="left", title_style="bold")
    for name, justify in (("reading", "left"), ("now", "right"), ("unit", "left"), ("age", "right"),
                          ("last minute", "right"), ("trend", "left")):  # fmt: skip
        table.add_column(name, justify=justify, no_wrap=True)
    for row in rows:
        style = "dim" if row.value is None else ("yellow" if row.is_old else "")
        age = "" if row.age_s is None else f"{row.age_s:.0f} s{' old' if row.is_old else ''}"
        span = "" if row.low is None else f"{row.shown(row.low)} to {row.shown(row.high)}"
        now = "none yet" if row.value is None else row.shown(row.value)
        table.add_row(row.title, now, row.unit, age, span, sparkline(row.trend, row.span_min, trend_width), style=style)
    if judgement is None:
        return Group(table, Text(EARLY_WORDS), Text(footer, style="dim"))
    lines = [Text(judgement.sentence, style="bold green" if judgement.is_go else "bold red")]
    findings = judgement.of(NO_GO) + judgement.of(WARNING)
    for one in findings[:_FINDINGS_MAX]:
        lines.append(Text.assemble(
            (f"{'✕' if one.verdict == NO_GO else '!'} {one.name}: ", "red" if one.verdict == NO_GO else "yellow"),
            one.measured, ". ", (one.why, "dim"),
        ))  # fmt: skip
        if one is findings[0]:
            lines.append(Text(f"  What to do: {one.do}"))
    if len(findings) > _FINDINGS_MAX:
        lines.append(Text(f"... and {len(findings) - _FINDINGS_MAX} more", style="dim"))
    return Group(table, *lines, Text(footer, style="dim"))


def finding_lines(judgement):
    """The reasons in plain lines, for the end of a session and for --check."""
    lines = []
    for one in judgement.of(NO_GO, WARNING):
        mark = "NO-GO" if one.verdict == NO_GO else "warning"
        measured = f": {one.measured}" if one.measured else ""
        expected = f" (expected: {one.expected})" if one.expected else ""
        lines += [f"{mark}  {one.name}{measured}{expected}", f"       {one.why}", f"       What to do: {one.do}"]
    return lines


def open_line(judgement, page):
    """What was not checked, by name alone, what somebody can do something about first; None without any.

    Why and how stand on the record's page, whose path is named: here they would push the verdict off the screen.
    """
    left_out = sorted(judgement.of(NOT_CHECKED), key=lambda one: not one.do)
    if not left_out:
        return None
    how = f" {page} says how to." if left_out[0].do else f" {page} says why."
    return f"Not checked: {', '.join(one.name for one in left_out)}.{how}"


def codes_line(sensors, settings):
    """Thermometers' codes that the settings lack, as they are written there; None where they lack none.

    Parameters
    ----------
    sensors : dict of str to str
        As in bench.json.
    settings : dict
        The keys by which the checks went.
    """
    found = {f"probe_{place}_rom": sensors.get(place, "") for place in ("outside", "inside")}
    lines = [f'{key} = "{name.split(":")[1]}"' for key, name in found.items()
             if name.startswith("ds18b20:") and not settings[key]]  # fmt: skip
    return f"Codes that the settings do not have yet: {' and '.join(lines)}." if lines else None


def verdict_line(judgement):
    """GO or NO-GO with its counts, and what comes next: the last line, where the eye is."""
    if judgement.is_go:
        return f"{judgement.sentence}. A GO is no permission to fly: local rules come first."
    return f"{judgement.sentence}. Do what stands above, then run it again."

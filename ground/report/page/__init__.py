"""The page: one HTML file with everything in it, that asks no host for anything.

Words from a log are hostile until proven otherwise. Three walls: jinja2 escapes every value; the charts' data travel
as JSON in which no `<` is left; and the page's own content policy allows no script but the two whose hashes it names,
and no connection at all.
"""

import base64
import hashlib
import json
from pathlib import Path

from ground.report import flags, recovered, theme, truth
from ground.report.account import READINGS, boot_rows, sentences, to_know
from ground.report.charts.figure import Figure
from ground.report.event_list import event_rows
from ground.report.facts import fact_rows, position_words

HERE = Path(__file__).parent
PIECES_MAX = 3000  # of the bar: a flight of thousands of boots is told in words alone
RUNTIMES = {
    "micropython": "the firmware ran on real MicroPython, in its Unix port, with virtual chips",
    "cpython": "the firmware ran on CPython, not on MicroPython, with virtual chips: memory and speed of a board "
    "were not tried",
}


def render_page(view, title, parts, specs, library):
    """The whole page as text.

    Parameters
    ----------
    view : ground.report.charts.figure.View
    title : ground.report.title.Title
    parts : list of Figure and Missing
        In the order of the page.
    specs : dict of str to dict
        The specification of each figure by name.
    library : str
        The script that draws charts.
    """
    import jinja2

    environment = jinja2.Environment(
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        loader=jinja2.FileSystemLoader(HERE),
    )
    environment.filters["with_code"] = with_code
    script = (HERE / "page.js").read_text(encoding="utf-8")
    story = view.story
    readings = [view.folder.tables[name] for name in READINGS]
    events, events_left_out = event_rows(view.folder, view.timeline, story)
    return environment.get_template("page.html.j2").render(
        title=title,
        simulated=_simulation_words(view.folder),
        facts=[
            (label, value.replace("° ", "°\xa0"), small)  # a line never ends between a number and its N or E
            for label, value, small in fact_rows(view.folder, view.timeline, story)
        ],
        account=sentences(view.folder, view.timeline, story),
        to_know=to_know(view.folder),
        covered=_coverage_row(view.folder.integrity),
        truth=truth.sentences(view.folder, view.timeline, story),
        notices=[str(text) for text in view.folder.simulation.get("notices") or []],
        boots=boot_rows(view.folder, view.timeline),
        parts=[
            {
                "figure": isinstance(part, Figure),
                "part": part,
                "title": figure_title(part) if isinstance(part, Figure) else part.title,
                "tall": isinstance(part, Figure) and part.columns == 1 and "concat" in specs[part.name],
            }
            for part in parts
        ],
        specs=script_json(specs),
        measures=script_json({"left": theme.LEFT_AXIS_PX, "config": theme.config(theme.PAGE)}),
        events=events,
        events_left_out=events_left_out,
        place=position_words(story.landing) if story.landing else None,
        geo=f"geo:{story.landing.latitude_deg:.5f},{story.landing.longitude_deg:.5f}" if story.landing else None,
        rested=story.rested,
        flew=story.flew,
        meanings=[
            (name.replace("_", " "), meaning)
            for name, meaning in flags.occurring([view.folder.flight["flags"], *(t["flags"] for t in readings)])
        ],
        has_utc=view.timeline.has_utc,
        colours=theme.PAPER,
        style=raw((HERE / "page.css").read_text(encoding="utf-8")),
        library=raw(library),
        script=raw(script),
        script_hashes=raw(" ".join(f"'sha256-{_sha256(text)}'" for text in (library, script))),
    )


def _coverage_row(account):
    """The bar of what was recovered: its pieces with their places in percent, and its key; None where all is there."""
    covered = recovered.coverage(account)
    if covered is None or not set(covered.kinds()) & {recovered.THINNED, recovered.NOTHING}:
        return None
    pieces = [
        {
            "has": one.has,
            "left": f"{100 * one.from_s / covered.length_s:.3f}",
            "width": f"{100 * (one.to_s - one.from_s) / covered.length_s:.3f}",
            "words": one.words,
        }
        for one in covered.segments
    ]
    lacking = [piece["words"] for piece in pieces if piece["has"] in (recovered.THINNED, recovered.NOTHING)]
    if len(pieces) > PIECES_MAX:
        return None
    return {
        "pieces": pieces,
        "begin": covered.begin,
        "end": covered.end,
        "key": [(has, recovered.MEANINGS[has]) for has in covered.kinds()],
        "words": lacking,
    }


def figure_title(figure):
    """The title that the chart itself carries."""
    return figure.chart.title.text


def with_code(text):
    """A sentence whose `commands` are set as such; everything in it is escaped."""
    from markupsafe import Markup, escape

    pieces = str(text).split("`")
    if len(pieces) % 2 == 0:  # one without its fellow is a sign like others
        return escape(text)
    return Markup("").join(
        Markup("<code>{}</code>").format(piece) if place % 2 else escape(piece) for place, piece in enumerate(pieces)
    )


def raw(text):
    """Our own text, to go into the page as it is."""
    from markupsafe import Markup

    return Markup(text)


def script_json(value):
    """JSON that no browser can take for the end of its script element."""
    text = json.dumps(value, allow_nan=False, separators=(",", ":"), ensure_ascii=True)
    return raw(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))


def _simulation_words(folder):
    """How the flight was simulated; None for a real one."""
    if not folder.is_simulated:
        return None
    runtime = folder.simulation.get("runtime")
    return RUNTIMES.get(runtime, "the folder does not say which interpreter the firmware ran on")


def _sha256(text):
    return base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")

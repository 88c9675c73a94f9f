"""From a flight folder to files: read, tell, draw, write."""

from ground.errors import InputError
from ground.report import ReportPaths
from ground.report.charts import SUBJECTS
from ground.report.charts.figure import Figure, View
from ground.report.folder import load_folder
from ground.report.page import render_page
from ground.report.render import ScriptLibrary, png, specification
from ground.report.story import tell
from ground.report.timeline import Timeline
from ground.report.title import title_of
from ground.simulated import picture_label

PAGE_NAME, FIGURES_NAME = "report.html", "figures"


def build(flight_dir, *, title, force, progress):
    """See `ground.report.build_report`."""
    say = progress or (lambda share, text: None)
    say(0.0, "reading the flight folder")
    folder = load_folder(flight_dir)
    page_path, figures_dir = flight_dir / PAGE_NAME, flight_dir / FIGURES_NAME
    _refuse_to_overwrite(page_path, figures_dir, force)
    library = ScriptLibrary()
    try:
        return _write(folder, title, page_path, figures_dir, library, say)
    finally:
        library.drop()


def _write(folder, title, page_path, figures_dir, library, say):
    timeline = Timeline([folder.flight, *folder.tables.values()])
    story = tell(folder, timeline)
    view = View(folder, timeline, story, moments(timeline, story))
    title = title_of(folder, timeline, title)
    parts = []
    for number, draw in enumerate(SUBJECTS):
        say(0.1 + 0.3 * number / len(SUBJECTS), "drawing charts")
        parts += draw(view)
    figures = [part for part in parts if isinstance(part, Figure)]
    figures_dir.mkdir(exist_ok=True)
    written, specs = [], {}
    label = [title.with_day]
    if folder.is_simulated:
        label.append(picture_label(folder.simulation.get("runtime")))
    for number, figure in enumerate(figures):
        say(0.4 + 0.4 * number / len(figures), f"figure {figure.name}")
        specs[figure.name] = specification(figure)
        path = figures_dir / f"{figure.name}.png"
        path.write_bytes(png(specs[figure.name], label))
        written.append(path)
    _drop_stale(figures_dir, {path.name for path in written})
    say(0.8, "the page")
    page_path.write_text(render_page(view, title, parts, specs, library.text()), encoding="utf-8")
    say(1.0, "done")
    return ReportPaths(
        page_path,
        tuple(written),
        tuple(f"{part.title}: {part.reason}" for part in parts if not isinstance(part, Figure)),
    )


def moments(timeline, story):
    """What the charts against time mark: launch, burst, landing, and each restart."""
    marks = [
        {"t": moment, "label": label, "kind": "phase"}
        for moment, label in ((story.launch_ms, "launch"), (story.burst_ms, "burst"), (story.landing_ms, "landing"))
        if moment is not None
    ]
    return marks + [{"t": span.start_ms, "label": "restart", "kind": "restart"} for span in timeline.spans[1:]]


def _refuse_to_overwrite(page_path, figures_dir, force):
    if force:
        return
    for path in (page_path, figures_dir):
        if path.exists():
            raise InputError(f"{path} is there already; --force writes a new report over it")


def _drop_stale(figures_dir, kept):
    """Figures of an earlier report that this one does not have: they would show another state of the folder."""
    for path in figures_dir.glob("*.png"):
        if path.name not in kept and path.stem.endswith(("_time", "_height", "_track")):
            path.unlink()

"""A figure's two forms: a PNG, and the specification that the page draws itself."""

import contextlib
import copy
import subprocess
import sys

from ground.report import theme
from ground.report.charts.figure import PNG_WIDTH

PNG_SCALE = 2
VEGA_LITE = "6.4"  # one version for both forms
RIGHT_PX = 34
BETWEEN_PX = 22


def specification(figure):
    """The chart as Vega-Lite, with its rows; colours and sizes come later, they differ between paper and page."""
    # Altair would check the whole definition against its schema, which takes longer than drawing it: tests do that.
    spec = figure.chart.to_dict(validate=False)
    spec.pop("config", None)  # altair's own default sizes
    spec.setdefault("datasets", {}).update(figure.rows)
    spec["usermeta"] = {"height": figure.height_px, "columns": figure.columns, "aspect": figure.aspect}
    return spec


def sized(spec, width_px):
    """Give every plot of a specification its width and height. The page's own script does it too (`fit`)."""
    meta = spec["usermeta"]
    plots = spec.get("concat") or [spec]
    columns = meta["columns"]
    plot_px = (width_px - (columns - 1) * BETWEEN_PX) / columns - theme.LEFT_AXIS_PX - (RIGHT_PX if columns == 1 else 8)
    for plot in plots:
        plot["width"] = plot_px
        plot["height"] = plot_px * meta["aspect"] if meta["aspect"] else meta["height"]
    return spec


def png(spec, label=None):
    """A specification as PNG bytes, twice the size of the page's, in paper colours.

    `label`: lines under the title, for what the page says elsewhere and a picture sent alone must say itself.
    """
    import vl_convert

    rows = spec["datasets"]
    spec = copy.deepcopy({key: value for key, value in spec.items() if key != "datasets"}) | {"datasets": rows}
    if label:
        spec["title"] = spec["title"] | {"subtitle": label}
    spec = _frozen(sized(spec, PNG_WIDTH)) | {"padding": 14, "config": theme.config(theme.PAPER)}
    return vl_convert.vegalite_to_png(spec, vl_version=VEGA_LITE, scale=PNG_SCALE, allowed_base_urls=[])


def _frozen(spec):
    """Take out zooming: paper does not zoom, and the clipping it brings makes a PNG six times slower to paint."""
    spec.pop("params", None)
    for part in ("layer", "concat"):
        for inner in spec.get(part, ()):
            _frozen(inner)
    return spec


class ScriptLibrary:
    """The JavaScript that draws charts (Vega, Vega-Lite, Vega-Embed), whole, for embedding in the page.

    Putting it together takes over a second and nothing else waits for it, so a process of its own starts on it while
    this one draws.
    """

    _TASK = (
        "import sys, vl_convert; sys.stdout.buffer.write(vl_convert.javascript_bundle(vl_version=sys.argv[1]).encode())"
    )

    def __init__(self):
        self._process: subprocess.Popen | None = None
        with contextlib.suppress(OSError):  # text() will make the script then
            self._process = subprocess.Popen(
                [sys.executable, "-c", self._TASK, VEGA_LITE], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
            )

    def text(self):
        """The script; made here and now if the process could not."""
        if self._process is not None:
            script, _ = self._process.communicate()
            if self._process.returncode == 0 and script:
                return script.decode("utf-8")
        import vl_convert

        return vl_convert.javascript_bundle(vl_version=VEGA_LITE)

    def drop(self):
        """End the process if nobody will ask for the script any more."""
        if self._process is not None and self._process.poll() is None:
            self._process.kill()
            self._process.communicate()

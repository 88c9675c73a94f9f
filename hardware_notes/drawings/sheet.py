"""A sheet to draw wiring on: boxes with named pins, wires in right angles, a few symbols; all at places given outright.

Lengths are in units of 36 points, half an inch: 22 by 15 of them fit on A4 across, and text then has its true size on
paper. Every wire ends at a name, so nothing depends on colours; in a dark browser they are swapped by the style sheet
inside the SVG, and paper stays white.
"""

import re
from itertools import pairwise

import schemdraw
import schemdraw.elements as elm
from schemdraw.segments import SegmentText

INK, POWER, SIGNAL, QUIET = "#1b1f24", "#a3161a", "#0b4f9e", "#59626d"
_PAPER = "#ffffff"
_DARK = {INK: "#e8eaed", POWER: "#ff9a91", SIGNAL: "#8fc1ff", QUIET: "#a9b2bd", _PAPER: "#15181c"}
_ROW = 0.9
_STUB = 0.5
_MARGIN = 0.4
_A4_ACROSS = (277 / 25.4 * 72, 190 / 25.4 * 72)  # less 10 mm all around, in points


class _Words(elm.Element):
    """Text and nothing else; schemdraw's own labels keep a distance that depends on their side."""

    def __init__(self, words, size, align, color):
        super().__init__()
        self.segments.append(SegmentText((0, 0), words, align=(align, "center"), fontsize=size, color=color))
        self.params["theta"] = 0


class Sheet:
    """One drawing. Coordinates grow to the right and upwards."""

    def __init__(self, title, says):
        schemdraw.use("svg")
        schemdraw.svgconfig.text = "text"  # as text, whichever other packages are there
        self._drawing = schemdraw.Drawing(show=False, unit=1.0, inches_per_unit=0.5, fontsize=11, lw=1.4, color=INK)
        self._drawing.config(margin=_MARGIN, font="Arial, Helvetica, sans-serif")
        self.title, self.says = title, says
        # what is joined with what, for the tests: a drawing that looks right and joins wrong burns a chip
        self.pins, self.symbols, self.parts, self._segments, self._dots = {}, [], [], [], []

    def add(self, element):
        """Any element of schemdraw's; it must have its place."""
        self._drawing.add(element)
        return element

    def text(self, x, y, words, size=11, align="left", color=INK):
        self.add(_Words(words, size, align, color).at((x, y)))

    def wire(self, *points, color=SIGNAL):
        """A polyline through points."""
        for start, end in pairwise(points):
            self.add(elm.Line().at(start).to(end).color(color))
            self._segments.append((_spot(start), _spot(end)))

    def dot(self, *points, color=SIGNAL):
        for point in points:
            self.add(elm.Dot(radius=0.09).at(point).color(color).fill(color))
            self._dots.append(_spot(point))

    def plus(self, point, words="3.3 V", size=11):
        """A supply: a short bar with its voltage above."""
        x, y = point
        self.add(elm.Line().at((x - 0.3, y)).to((x + 0.3, y)).color(POWER))
        self.symbols.append((words, _spot(point)))
        self.text(x, y + 0.32, words, size, "center", POWER)

    def ground(self, point):
        self.add(elm.Ground().at(point).theta(0).color(INK))
        self.symbols.append(("GND", _spot(point)))

    def part(self, kind, start, end, words="", place="right", color=INK):
        """A two-ended symbol between two points, its words beside its middle, on the given side."""
        self.add(kind().at(start).to(end).color(color))
        self.parts.append((words, _spot(start), _spot(end)))
        x, y = (start[0] + end[0]) / 2, (start[1] + end[1]) / 2
        dx, dy, align = {
            "right": (0.45, 0, "left"),
            "left": (-0.45, 0, "right"),
            "above": (0, 0.65, "center"),
            "below": (0, -0.6, "center"),
        }[place]
        for number, line in enumerate(lines := words.split("\n")):
            self.text(x + dx, y + dy + 0.2 * (len(lines) - 1) - 0.4 * number, line, 10, align)

    def box(self, x, y, width, title, left=(), right=(), note="", names_below=False):
        """A part: its title above, its pins by name inside. Gives {name: end of the pin}. `y` is the upper edge.

        A row that is None stays empty. Names must differ over both sides.
        """
        rows = max(len(left), len(right))
        height = rows * _ROW + 0.2
        self.add(elm.Rect(corner1=(0, 0), corner2=(width, -height), lw=1.8).at((x, y)).theta(0).color(INK))
        above = y + 0.36 + (0.42 if note else 0)
        self.text(x + width / 2, above, title, 12, "center")
        if note:
            self.text(x + width / 2, y + 0.34, note, 9.5, "center", QUIET)
        ends = {}
        for names, edge, out, align, inward in ((left, x, -1, "left", 0.15), (right, x + width, 1, "right", -0.15)):
            for row, name in enumerate(names):
                if name is None:
                    continue
                at = y - 0.1 - _ROW * (row + 0.5)
                self.wire((edge, at), (edge + out * _STUB, at), color=INK)
                self.text(edge + inward, at, name, 10, align)
                ends[name] = (edge + out * _STUB, at)
                self.pins[f"{title}: {name}"] = _spot(ends[name])
        return ends

    def name(self, part, **ends):
        """Names the ends of a symbol that is no box, for nets()."""
        self.pins.update({f"{part}: {end}": _spot(spot) for end, spot in ends.items()})

    def note(self, x, y, *lines):
        for number, line in enumerate(lines):
            self.text(x, y - 0.5 * number, line, 10, "left", QUIET)

    def nets(self):
        """What is joined: a list of sets of names, of pins (`Board: GND`), supplies (`3.3 V`, `GND`) and ends of parts
        (`4.7 kΩ/1`, `4.7 kΩ/2`). Wires join at their ends and at dots, never where they merely cross.
        """
        names = {}
        ends = [(f"{words}/{end}", spot) for words, *spots in self.parts for end, spot in enumerate(spots, 1)]
        for name, spot in [*self.pins.items(), *self.symbols, *ends]:
            names.setdefault(spot, set()).add(name)
        groups = [{spot} for spot in names]
        groups += [{start, end} for start, end in self._segments]
        groups += [{dot, *segment} for dot in self._dots for segment in self._segments if _lies_on(dot, *segment)]
        joined = []
        for group in groups:
            touching = [other for other in joined if other & group]
            joined = [other for other in joined if not other & group] + [group.union(*touching)]
        nets = [set().union(*(names.get(spot, ()) for spot in group)) for group in joined]
        return [net for net in nets if net]

    def svg(self):
        """The drawing's text: white paper, swapped colours in the dark, a title for those who cannot see it."""
        text = self._drawing.get_imagedata("svg").decode("utf-8")
        return dressed(text, self.title, self.says)


def _spot(point):
    """A place as a key; to a hundredth of a unit, far finer than any two wires lie apart."""
    return round(float(point[0]), 2), round(float(point[1]), 2)


def _lies_on(spot, start, end):
    (x, y), (x1, y1), (x2, y2) = spot, start, end
    across = abs((x2 - x1) * (y - y1) - (y2 - y1) * (x - x1))
    within = min(x1, x2) - 0.01 <= x <= max(x1, x2) + 0.01 and min(y1, y2) - 0.01 <= y <= max(y1, y2) + 0.01
    return within and across <= 0.02 * max(abs(x2 - x1), abs(y2 - y1))


def dressed(svg, title, says):
    """An SVG with our paper, style and title. Colours stay plain attributes: any viewer shows the light form."""
    svg = svg[svg.index("<svg") :].replace("fill:white", f"fill:{_PAPER}")
    opening, rest = svg.split(">", 1)
    x, y, width, height = re.search(r'viewBox="([^"]+)"', opening)[1].replace(",", " ").split()
    scale = min(1.0, _A4_ACROSS[0] / float(width), _A4_ACROSS[1] / float(height))  # a browser prints it on one sheet
    opening = re.sub(r' (?:width|height)="[^"]*"', "", opening)
    opening += f' width="{scale * float(width):.1f}pt" height="{scale * float(height):.1f}pt"'
    swaps = "".join(
        f'[style*="stroke:{light}"]{{stroke:{dark}!important}}[style*="fill:{light}"]{{fill:{dark}!important}}'
        f'[stroke="{light}"]{{stroke:{dark}}}[fill="{light}"]{{fill:{dark}}}'
        for light, dark in _DARK.items()
    )
    head = (
        f"<title>{title}</title><desc>{says}</desc>"
        f"<style>@media screen and (prefers-color-scheme:dark){{{swaps}}}</style>"
        f'<rect x="{x}" y="{y}" width="{width}" height="{height}" fill="{_PAPER}"/>'
    )
    return opening + ' role="img">' + head + "\n" + rest.replace("><", ">\n<") + "\n"

"""The one place that knows the plotting library: a sheet of px with fields of figures on it, every mark of a kind.

A kind is a class of the style sheet (and of picture_paint), so colours, widths and letters are never set here.
Importing this module takes half a second of CPU: only `element` does, when the first plot is asked for.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Sequence
from typing import Any, Literal

import matplotlib
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backend_bases import RendererBase
from matplotlib.backends.backend_svg import RendererSVG
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.path import Path
from matplotlib.ticker import LogLocator, MaxNLocator

from service.pages.plots.cleaning import HOW, MARK, printable

# The library's settings are global, and putting them back after each drawing would race with other threads' drawings:
# set once here, and nothing else in this process draws with it. Words stay words; ids do not hang on chance.
matplotlib.rcParams.update({"svg.fonttype": "none", "svg.hashsalt": "borewright", "path.simplify": False})

DPI = 72.0  # at which a point of the library is a px of ours
FONT = FontProperties()  # asked for by the library; which font it is, says the style sheet
NO_DATA = {"Creator": None, "Date": None, "Format": None, "Type": None}  # neither date nor version in the drawing
TICKS = 5
Anchor = Literal["start", "middle", "end"]
Point = tuple[float, float]
# Shapes of dots; the library makes each as large as it is told.
CIRCLE, LEFT_HALF = Path.arc(0.0, 360.0, n=4), Path.wedge(90.0, 270.0)
SQUARE = Path([(-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1)], closed=True)
SLASH, DASH = Path([(-1, -1), (1, 1)]), Path([(-1, 0), (1, 0)])


class Field:
    """A rectangle of the sheet with figures across and px (or figures) down. Nothing is cut off at its edge."""

    def __init__(self, axes: Axes, written: _Words) -> None:
        self.axes, self._written = axes, written
        axes.set_axis_off()

    def spans(self, kind: str, ends: Sequence[tuple[Point, Point]]) -> None:
        """Straight lines from point to point."""
        if ends:
            self.axes.add_collection(LineCollection(ends, **_mark(kind)), autolim=False)

    def areas(self, kind: str, corners: Sequence[tuple[Point, Point]]) -> None:
        """Rectangles between opposite corners."""
        if corners:
            shapes = [((x, y), (u, y), (u, v), (x, v)) for (x, y), (u, v) in corners]
            self.axes.add_collection(PolyCollection(shapes, **_mark(kind)), autolim=False)

    def dots(self, kind: str, points: Sequence[Point], radius: float | Sequence[float], shape: Path = CIRCLE) -> None:
        """radius: half the width of the shape, px."""
        radii = [radius] * len(points) if isinstance(radius, (int, float)) else radius
        if points:
            sizes = [(2.0 * one) ** 2 for one in radii]
            x, y = zip(*points, strict=True)
            how = f"{HOW}circle" if shape is CIRCLE else ""
            self.axes.scatter(x, y, s=sizes, marker=shape, **_mark(kind + how))

    def curve(self, kind: str, points: Sequence[Point], floor: float | None = None) -> None:
        """A line through the points, broken where one is not a number; closed down to ``floor`` where that is given."""
        if not points:
            return
        x, y = zip(*points, strict=True)
        if floor is None:
            self.axes.plot(x, y, **_mark(kind))
        else:
            self.axes.fill_between(x, y, floor, **_mark(kind))

    def words(self, kind: str, at: Point, text: str, anchor: Anchor = "start") -> None:
        x, y = self.axes.transData.transform(at)
        self._written.add(kind, (float(x), float(y)), text, anchor)


class _Words(Artist):
    """All the words of a sheet. The library's own texts are laid out one by one, at ten times the cost."""

    def __init__(self, height: float) -> None:
        super().__init__()
        self.height = height
        self.set_zorder(2.0)
        self.entries: list[tuple[str, Point, str]] = []

    def add(self, kind: str, at: Point, text: str, anchor: Anchor) -> None:
        """at: px from the lower left corner, as the library counts them."""
        if said := printable(text):
            self.entries.append((f"{MARK}{kind}{HOW}{anchor}", at, said))

    def draw(self, renderer: RendererBase) -> None:
        """Never as a formula, whatever stands in a name."""
        context = renderer.new_gc()
        for group, (x, y), text in self.entries:
            renderer.open_group("words", gid=group)
            renderer.draw_text(context, x, self.height - y, text, FONT, 0.0, ismath=False)
            renderer.close_group("words")
        context.restore()


class Sheet:
    """A drawing of so many px, measured from its upper left corner."""

    def __init__(self, width: float, height: float) -> None:
        self.width, self.height = width, height
        self.figure = Figure(figsize=(width / DPI, height / DPI), dpi=DPI, frameon=False)
        self._written = _Words(height)
        self.figure.add_artist(self._written)

    def field(self, box: tuple[float, float, float, float], x: Point, y: Point, *, log: bool = False) -> Field:
        """box: left, top, right, bottom, px; x, y: the figures at left and right, top and bottom. log: of x."""
        left, top, right, bottom = box
        place = (
            left / self.width,
            1.0 - bottom / self.height,
            (right - left) / self.width,
            (bottom - top) / self.height,
        )
        scale, across, down = "log" if log else "linear", _apart(x, log=log), _apart(y[::-1])
        axes = self.figure.add_axes(place, xlim=across, ylim=down, xscale=scale, autoscale_on=False)
        return Field(axes, self._written)

    def words(self, kind: str, at: Point, text: str, anchor: Anchor = "start") -> None:
        self._written.add(kind, (at[0], self.height - at[1]), text, anchor)

    def svg(self) -> str:
        """As the library writes it: same sheet, same bytes."""
        written = io.StringIO()
        renderer = RendererSVG(self.width, self.height, written, metadata=NO_DATA)  # type: ignore[no-untyped-call]
        self.figure.draw(renderer)
        renderer.finalize()  # type: ignore[no-untyped-call]
        return written.getvalue()


def round_figures(low: float, high: float, *, log: bool = False) -> list[float]:
    """A few round figures from ``low`` to ``high``, for ticks."""
    even = _between(MaxNLocator(nbins=TICKS, steps=[1, 2, 5, 10]).tick_values(low, high), low, high)
    if not log:
        return even
    for leading in ((1.0, 2.0, 5.0), (1.0, 3.0), (1.0,)):
        found = _between(LogLocator(subs=leading, numticks=50).tick_values(low, high), low, high)
        if len(found) <= TICKS:
            return found if len(found) > 2 else even
    return _between(LogLocator(numticks=TICKS).tick_values(low, high), low, high)


def _apart(ends: Point, *, log: bool = False) -> Point:
    """Ends of a scale; of data that have no extent, one with them in the middle."""
    low, high = ends
    if not (math.isfinite(low) and math.isfinite(high)):
        return (0.1, 10.0) if log else (0.0, 1.0)
    if low == high:
        return (low / 2.0, high * 2.0) if log else (low - 0.5, high + 0.5)
    return ends


def _between(found: Iterable[float], low: float, high: float) -> list[float]:
    return [float(one) for one in found if low <= one <= high and math.isfinite(one)]


def _mark(kind: str) -> dict[str, Any]:
    """What is drawn later lies above."""
    return {"gid": MARK + kind, "clip_on": False, "zorder": 1.0}

"""Plots read back from what was drawn: the figures that were handed in, on a sheet of nothing but marks and words."""

from __future__ import annotations

import math
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from xml.etree import ElementTree as ET

import pytest

from service.pages.picture_paint import PAINT
from service.pages.plots import cleaning, element
from service.pages.plots.intervals import Belief
from service.pages.plots.plot import Plot, cut, isolated
from service.pages.plots.sheet import Sheet, round_figures
from tests.service import plot_samples as samples
from tests.service.plot_samples import box, of_kind

EVERY: list[Plot] = [
    *samples.USUAL,
    *samples.EMPTY,
    *samples.ODD,
    *(plot for name in samples.HARD_NAMES for plot in samples.named(name)),
]


# What every drawing keeps to


@pytest.mark.parametrize("plot", EVERY, ids=lambda plot: type(plot).__name__)
def test_a_drawing_is_marks_and_words_of_known_classes_and_nothing_else(plot: Plot) -> None:
    svg = samples.element(plot)
    assert [one.tag for one in svg][:2] == ["title", "desc"]
    assert svg.get("role") == "img"
    assert svg.get("aria-labelledby") == f"t-{plot.key} d-{plot.key}"
    assert [one.get("id") for one in svg.iter() if one.get("id")] == [f"t-{plot.key}", f"d-{plot.key}"]
    for one in list(svg)[2:]:
        assert one.tag in {"path", "circle", "text"}
        assert set(one.get("class", "").split()) <= set(PAINT), one.attrib
        assert set(one.attrib) <= {"class", "d", "transform", "cx", "cy", "r", "x", "y", "text-anchor"}
        assert "nan" not in str(one.attrib).lower()
    assert not samples.CONTROLS.search(str(element.drawn(plot)))


@pytest.mark.parametrize("plot", samples.USUAL, ids=lambda plot: type(plot).__name__)
def test_all_that_is_drawn_lies_on_the_sheet(plot: Plot) -> None:
    width, height = plot.size
    for one in [*samples.element(plot).iter("path"), *samples.element(plot).iter("circle")]:
        left, top, right, bottom = box(one)
        assert min(left, top) >= -1.0
        assert right <= width + 1.0
        assert bottom <= height + 1.0


@pytest.mark.parametrize("name", samples.HARD_NAMES[:-1])
def test_a_name_is_written_as_it_is_but_for_what_no_drawing_may_hold(name: str) -> None:
    kept = " ".join(samples.CONTROLS.sub("", name).split())
    for plot in samples.named(name):
        svg = samples.element(plot)
        assert kept in (svg.findtext("title") or "") + (svg.findtext("desc") or "")
    labelled = samples.element(samples.intervals(Belief(label=name, low=1.0, mid=2.0, high=3.0)))
    (label,) = of_kind(labelled, "row-label", "text")
    assert kept.startswith((label.text or "").removesuffix("…"))


def test_no_formula_is_read_into_a_name() -> None:
    """A library that reads `$...$` as mathematics would leave the dollars out."""
    svg = samples.element(samples.named("$a$")[0])
    assert "$a$" in [one.text for one in svg.iter("text")]


def test_the_same_plot_is_drawn_once_and_an_equal_one_is_the_same() -> None:
    first = element.drawn(samples.intervals(Belief(label="Rowan", low=0.1, mid=1.0, high=10.0)))
    assert element.drawn(samples.intervals(Belief(label="Rowan", low=0.1, mid=1.0, high=10.0))) is first
    assert element.drawn.cache_info().maxsize == element.KEPT


def test_another_process_draws_the_same_bytes() -> None:
    """Neither chance, nor the date, nor the order of sets comes into a drawing."""
    code = (
        "from tests.service.plot_samples import USUAL\nfrom service.pages.plots.element import drawn\n"
        "print(*map(drawn, USUAL), sep='\\n')"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines() == [str(element.drawn(plot)) for plot in samples.USUAL]


def test_drawn_by_many_threads_at_once_each_is_as_if_alone() -> None:
    again = [plot for plot in samples.USUAL for _ in range(4)]
    with ThreadPoolExecutor(8) as pool:
        found = list(pool.map(element.drawn.__wrapped__, again))
    assert found == [element.drawn(plot) for plot in again]


def test_only_a_plot_loads_the_library() -> None:
    """Workers, the command line and pages without a plot do without it."""
    code = (
        "import sys, service.app, service.cli, service.worker, workers.tasks\n"
        "assert 'matplotlib' not in sys.modules, 'loaded at the start'\n"
        "from tests.service.plot_samples import USUAL\nfrom service.pages.plots.element import drawn\n"
        "drawn(USUAL[0])\nassert 'matplotlib' in sys.modules\nassert 'matplotlib.pyplot' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


# Cleaning


def test_what_is_drawn_without_a_kind_is_refused() -> None:
    sheet = Sheet(100.0, 50.0)
    sheet.field((0.0, 0.0, 100.0, 50.0), (0.0, 1.0), (0.0, 1.0)).axes.plot([0.0, 1.0], [0.0, 1.0])
    with pytest.raises(ValueError, match="without a kind"):
        cleaning.marks(sheet.svg())


@pytest.mark.parametrize("tag", ["image", "script", "foreignObject", "rect"])
def test_what_is_neither_path_nor_words_has_no_place_in_a_drawing(tag: str) -> None:
    written = f'<svg xmlns="http://www.w3.org/2000/svg"><g id="mark:frame"><{tag}/></g></svg>'
    with pytest.raises(ValueError, match=f"{tag} has no place"):
        cleaning.marks(written)


def test_cleaning_keeps_place_kind_and_words_only() -> None:
    written = (
        '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"><metadata/>'
        '<defs><style>*{}</style></defs><g id="axes_1"><g id="mark:dot"><defs><path id="m1" '
        'd="M 0 0 \nL 1.23456 -0.001 \nz\n"/></defs>'
        '<g clip-path="url(#p)"><use xlink:href="#m1" x="3.14159" y="2" style="fill: #f00"/></g></g></g>'
        '<g id="mark:tick@middle"><text style="font-size: 10px" transform="translate(1 2) rotate(-0)">'
        "&lt;b&gt;</text></g></svg>"
    )
    dot, tick = cleaning.marks(written)
    assert ET.tostring(dot) == b'<path class="dot" d="M0 0L1.23 0z" transform="translate(3.14 2)" />'
    assert ET.tostring(tick) == b'<text class="tick" x="1" y="2" text-anchor="middle">&lt;b&gt;</text>'


def test_a_round_dot_is_written_as_a_circle_alone_or_among_many() -> None:
    for many in (1, 30):
        sheet = Sheet(100.0, 50.0)
        field = sheet.field((0.0, 0.0, 100.0, 50.0), (0.0, 1.0), (0.0, 1.0))
        field.dots("dot", [(0.25, 0.5)] * many, 4.5)
        marks = cleaning.marks(sheet.svg())
        assert [one.attrib for one in marks] == [{"class": "dot", "cx": "25", "cy": "25", "r": "4.5"}] * many


def test_a_curve_has_a_gap_where_a_figure_is_missing() -> None:
    sheet = Sheet(100.0, 50.0)
    field = sheet.field((0.0, 0.0, 100.0, 50.0), (0.0, 4.0), (1.0, 0.0))
    field.curve("line", [(0.0, 0.5), (1.0, 0.5), (2.0, math.nan), (3.0, 0.5), (4.0, 0.5)])
    (mark,) = cleaning.marks(sheet.svg())
    assert mark.get("d") == "M0 25L25 25M75 25L100 25"


# Ticks and names


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [
        (0.5, 2000.0, [1, 10, 100, 1000]),
        (0.8, 12.0, [1, 2, 5, 10]),
        (0.4, 45.0, [1, 3, 10, 30]),
        (1e-9, 1e9, None),
        (0.9, 1.2, None),
        (3.0, 3.0001, None),
    ],
)
def test_ticks_of_a_logarithmic_scale_are_few_and_round(low: float, high: float, expected: list[float] | None) -> None:
    found = round_figures(low, high, log=True)
    assert expected is None or found == pytest.approx(expected)
    assert 2 <= len(found) <= 8
    assert all(low <= one <= high for one in found)


@pytest.mark.parametrize(("low", "high"), [(0.0, 1.0), (-0.183, 0.0912), (1e-6, 3e-6), (-500.0, 12000.0)])
def test_ticks_of_a_linear_scale_are_few_round_and_even(low: float, high: float) -> None:
    found = round_figures(low, high)
    assert 2 <= len(found) <= 6
    steps = {round((b - a) / (high - low), 9) for a, b in pairwise(found)}
    assert len(steps) == 1
    lead = (steps.pop() * (high - low)) / 10.0 ** math.floor(math.log10(found[1] - found[0]) + 1e-9)
    assert min(abs(lead - one) for one in (1.0, 2.0, 5.0, 10.0)) < 1e-6


def test_a_name_is_cut_where_its_room_ends() -> None:
    assert cut("0.4 hardened", 130.0) == "0.4 hardened"
    assert cut("W" * 50, 130.0) == "W" * 9 + "…"
    assert cut("三" * 50, 130.0) == "三" * 9 + "…"


def test_a_name_written_from_right_to_left_does_not_turn_what_stands_beside_it() -> None:
    """Unicode Standard Annex 9: first strong isolate, pop directional isolate."""
    assert isolated("ماكينة") == "\u2068ماكينة\u2069"
    assert isolated("Alder 2") == "Alder 2"

"""Figures read back from the drawings, as a reader does: off their scales, by shape, by length and by place."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from service.pages.picture_paint import PAINT, PALETTE
from service.pages.plots.costs import Cause
from service.pages.plots.fit import FitPlot
from service.pages.plots.intervals import Belief
from service.pages.plots.matrix import Mark, MatrixRow
from service.pages.plots.means import Mean
from service.pages.plots.parts import Part
from service.pages.plots.reliability import Foretold
from service.pages.plots.schedule import Lane, Span
from tests.service import plot_samples as samples
from tests.service.plot_samples import box, middle, of_kind, ticks


def test_intervals_are_read_off_as_they_were_handed_in() -> None:
    beliefs = [
        Belief(label=f"row {i}", low=0.02 * 3**i, mid=0.05 * 3**i, high=0.2 * 3**i, prior=0.1, observed=0.06 * 3**i)
        for i in range(5)
    ]
    svg = samples.element(samples.intervals(*beliefs))
    (x0, low), *_, (x1, high) = ticks(svg)

    def read(x: float) -> float:
        return low * (high / low) ** ((x - x0) / (x1 - x0))

    lines = [box(one) for one in of_kind(svg, "interval")]
    assert [read(one[0]) for one in lines] == pytest.approx([one.low for one in beliefs], rel=0.005)
    assert [read(one[2]) for one in lines] == pytest.approx([one.high for one in beliefs], rel=0.005)
    for kind, figures in (
        ("believed", [one.mid for one in beliefs]),
        ("observed", [one.observed for one in beliefs]),
        ("prior", [one.prior for one in beliefs]),
    ):
        shown = [middle(one) for one in of_kind(svg, kind)]
        assert [read(x) for x, _ in shown] == pytest.approx(figures, rel=0.005)
        assert [y for _, y in shown] == pytest.approx([one[1] for one in lines], abs=0.05), "on the line of its row"


def test_a_line_that_goes_on_towards_zero_is_cut_and_does_not_spread_the_scale() -> None:
    svg = samples.element(samples.intervals(Belief(label="a", low=1e-12, mid=1.0, high=2.0)))
    (line,), (dot,) = of_kind(svg, "interval"), of_kind(svg, "believed")
    assert box(line)[0] == pytest.approx(10.0)
    assert middle(dot)[0] > 180.0


def test_nothing_observed_at_zero_is_drawn() -> None:
    svg = samples.element(samples.intervals(Belief(label="a", low=0.5, mid=1.0, high=2.0, observed=0.0)))
    assert not of_kind(svg, "observed")


def test_means_and_limits_are_read_off_as_they_were_handed_in() -> None:
    shown = [Mean(label="a", figure="1", value=0.03, low=0.01, high=0.05), Mean(label="b", figure="2", value=-0.15)]
    svg = samples.element(samples.means(*shown, limits=(0.0, 0.09)))
    (x0, low), *_, (x1, high) = ticks(svg)

    def read(x: float) -> float:
        return low + (high - low) * (x - x0) / (x1 - x0)

    assert [read(middle(one)[0]) for one in of_kind(svg, "dot")] == pytest.approx([0.03, -0.15], abs=1e-4)
    line = box(of_kind(svg, "span")[0])
    assert (read(line[0]), read(line[2])) == pytest.approx((0.01, 0.05), abs=1e-4)
    assert len(of_kind(svg, "span")) == 3, "the second has no interval"
    for band in of_kind(svg, "limits"):
        left, _, right, _ = box(band)
        assert (read(left), read(right)) == pytest.approx((0.0, 0.09), abs=1e-4)


def test_predictions_lie_where_foretold_and_come_true_say_and_grow_with_their_number() -> None:
    points = (Foretold(predicted=0.25, observed=0.25, n=4), Foretold(predicted=0.5, observed=1.0, n=16))
    svg = samples.element(samples.reliability(*points))
    (frame,) = of_kind(svg, "frame")
    left, top, right, bottom = box(frame)
    dots = of_kind(svg, "believed")
    for one, dot in zip(points, dots, strict=True):
        x, y = middle(dot)
        assert (x - left) / (right - left) == pytest.approx(one.predicted, abs=1e-3)
        assert (bottom - y) / (bottom - top) == pytest.approx(one.observed, abs=1e-3)
    radii = [(box(one)[2] - box(one)[0]) / 2.0 for one in dots]
    assert [one - 2.0 for one in radii] == pytest.approx([3.0, 6.0], abs=0.02), "a quarter of them, half the growth"


def test_bars_are_as_long_as_their_costs() -> None:
    svg = samples.element(samples.costs(Cause("a", 120.0, 80.0), Cause("b", 0.0, 30.0)))
    today, best = ([box(one)[2] - box(one)[0] for one in of_kind(svg, f"bar-{who}")] for who in ("other", "chosen"))
    assert [*today, *best] == pytest.approx([one * today[0] / 120.0 for one in (120.0, 0.0, 80.0, 30.0)], abs=0.02)
    assert [one.text for one in of_kind(svg, "row-label", "text")] == ["a", "120", "80", "b", "0", "30"]


def test_parts_of_a_whole_begin_where_the_one_above_ends_and_fill_it() -> None:
    svg = samples.element(samples.parts(*(Part("p", share, "pace-melt", "f") for share in (0.5, 0.2, 0.3))))
    bars = [box(one) for one in of_kind(svg, "pace-melt")]
    assert [one[0] for one in bars[1:]] == pytest.approx([one[2] for one in bars[:-1]], abs=0.02)
    whole = bars[-1][2] - bars[0][0]
    assert [(one[2] - one[0]) / whole for one in bars] == pytest.approx([0.5, 0.2, 0.3], abs=1e-3)


def test_each_pairing_has_its_shape_its_word_and_its_hours_where_row_and_column_meet() -> None:
    rows = (
        MatrixRow("Alder", "0.4 brass", (Mark(0, "fresh", "fresh", ""), Mark(1, "stale", "stale", "2.3 h"))),
        MatrixRow("", "0.6 brass", (Mark(1, "barred", "", ""),)),
    )
    svg = samples.element(samples.matrix(("PLA", "PETG"), *rows))
    column = [float(one.get("x", "")) for one in of_kind(svg, "column", "text")]
    names = {one.text: float(one.get("y", "")) for one in of_kind(svg, "row-label", "text")}
    for kind, x, row in (
        ("cal cal-full", 0, "0.4 brass"),
        ("cal cal-gone", 1, "0.4 brass"),
        ("cal-barred", 1, "0.6 brass"),
    ):
        for one in of_kind(svg, kind):
            assert middle(one) == pytest.approx((column[x] + 8.0, names[row] - 4.0), abs=0.1)
    assert [len(of_kind(svg, kind)) for kind in ("cal cal-full", "cal cal-gone", "cal-barred")] == [1, 2, 1]
    assert [one.text for one in of_kind(svg, "tick", "text")] == ["fresh", "stale"]
    assert [one.text for one in of_kind(svg, "bar-first", "text")] == ["Alder", "2.3 h"]


def test_the_shapes_of_calibrations_differ_without_colour() -> None:
    """WCAG 2.2, 1.4.1: colour is not the only visual means of telling things apart."""
    shapes = set()
    for mark in samples.STATES:
        svg = samples.element(samples.matrix(("PLA",), MatrixRow("Alder", "0.4", (replace(mark, column=0),))))
        marks = [one for one in svg.iter() if "cal" in one.get("class", "")]
        assert marks
        shapes.add(tuple((one.tag, one.get("d"), *_seen_in_grey(one.get("class", ""))) for one in marks))
    assert len(shapes) == len(samples.STATES)


def _seen_in_grey(kinds: str) -> tuple[bool, bool]:
    """Whether a mark is filled, and dashed."""
    paint = {name: value for kind in kinds.split() for name, value in PAINT[kind].items()}
    return paint.get("fill") == PALETTE["bar"], "stroke-dasharray" in paint


def test_a_size_s_curve_has_its_peak_at_the_mean_between_its_limits() -> None:
    svg = samples.element(FitPlot(key="fit-1", chosen=samples.FIT))
    lower, upper = (middle(one)[0] for one in of_kind(svg, "limit"))
    (curve,) = of_kind(svg, "curve-chosen")
    points = [tuple(map(float, one.split())) for one in re.findall(r"[ML]([^MLz]+)", curve.get("d", ""))]
    peak = min(points, key=lambda one: one[1])
    assert (peak[0] - lower) / (upper - lower) == pytest.approx((6.02 - 6.0) / 0.075, abs=0.01)
    assert not of_kind(svg, "curve-other")


def test_a_clog_curve_ends_as_high_as_the_chance_is_there() -> None:
    svg = samples.element(samples.CLOG)
    ends = [box(of_kind(svg, f"line line-{i}")[0])[1] for i in (1, 2)]
    floor = box(of_kind(svg, "axis")[0])[3]
    first, second, _ = (one.risk.within(80.0) for one in samples.CLOG.curves)
    assert (floor - ends[1]) / (floor - ends[0]) == pytest.approx(second / first, abs=0.002)


def test_a_schedule_has_a_bar_as_long_as_its_hours_in_the_lane_of_its_machine() -> None:
    """But for the gap of a px between one bar and the next."""
    lanes = (
        Lane("Alder", (Span(0.0, 2.0, "run"), Span(2.0, 8.0, "run")), (Span(1.0, 12.0, "run-held"),)),
        Lane("Birch", (Span(3.0, 6.0, "run-moved"),), ()),
    )
    svg = samples.element(samples.schedule(*lanes))
    hour = (720.0 - 124.0 - 16.0) / 12.0
    for kind, row, spans in (("run", 0, [(0, 2), (2, 8)]), ("run-held", 0, [(1, 12)]), ("run-moved", 1, [(3, 6)])):
        for (start, end), bar in zip(spans, of_kind(svg, kind), strict=True):
            left, top, right, bottom = box(bar)
            assert (left, right + 1.0) == pytest.approx((124.0 + hour * start, 124.0 + hour * end), abs=0.02)
            assert 34.0 * row < top < bottom < 34.0 * (row + 1)

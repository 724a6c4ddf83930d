"""ISO 2768-1 general tolerances and ISO 273 clearance holes against printed tables (handbooks, seen)."""

from __future__ import annotations

import pytest

from workers.model.errors import InvalidError
from workers.process.limits import iso273_clearance, iso2768_limits

# ISO 2768-1 table 1: sizes inside each range, +- mm for classes f, m, c, v.
GENERAL = [
    (2, 0.05, 0.1, 0.2, None),
    (5, 0.05, 0.1, 0.3, 0.5),
    (20, 0.1, 0.2, 0.5, 1.0),
    (100, 0.15, 0.3, 0.8, 1.5),
    (300, 0.2, 0.5, 1.2, 2.5),
    (900, 0.3, 0.8, 2.0, 4.0),
]


@pytest.mark.parametrize("row", GENERAL)
@pytest.mark.parametrize(("column", "tolerance_class"), list(enumerate("fmcv", start=1)))
def test_general_tolerances(row: tuple[float, ...], column: int, tolerance_class: str) -> None:
    size, half = row[0], row[column]
    if half is None:
        with pytest.raises(InvalidError):
            iso2768_limits(size, tolerance_class)
        return
    limits = iso2768_limits(size, tolerance_class)
    assert (limits.lower_mm, limits.upper_mm) == pytest.approx((size - half, size + half))


@pytest.mark.parametrize(
    ("size", "half"), [(0.5, 0.1), (3, 0.1), (6, 0.1), (6.1, 0.2), (30, 0.2), (30.1, 0.3), (1000, 0.8)]
)
def test_a_bound_belongs_to_the_range_below_it(size: float, half: float) -> None:
    """ISO 2768-1: ranges are over a up to b; the first starts at 0.5 mm itself."""
    assert iso2768_limits(size, "m").upper_mm == pytest.approx(size + half)


@pytest.mark.parametrize(("size", "tolerance_class"), [(0.4, "m"), (1000.1, "m"), (10, "x"), (10, "M"), (3, "v")])
def test_what_the_standard_does_not_hold_is_refused(size: float, tolerance_class: str) -> None:
    """ISO 2768-1: below 0.5 mm the deviation stands with the size."""
    with pytest.raises(InvalidError):
        iso2768_limits(size, tolerance_class)


@pytest.mark.parametrize(
    ("thread", "fine", "medium", "coarse"),
    [
        ("M2", 2.2, 2.4, 2.6),
        ("M2.5", 2.7, 2.9, 3.1),
        ("M3", 3.2, 3.4, 3.6),
        ("M4", 4.3, 4.5, 4.8),
        ("M5", 5.3, 5.5, 5.8),
        ("M6", 6.4, 6.6, 7.0),
        ("M8", 8.4, 9.0, 10.0),
        ("M10", 10.5, 11.0, 12.0),
    ],
)
def test_clearance_holes(thread: str, fine: float, medium: float, coarse: float) -> None:
    """ISO 273 (one handbook table, seen)."""
    assert [iso273_clearance(thread, s) for s in ("fine", "medium", "coarse")] == [fine, medium, coarse]


@pytest.mark.parametrize(("thread", "series"), [("M3", "loose"), ("M7", "fine"), ("1/4", "fine")])
def test_unknown_clearance_holes_are_refused(thread: str, series: str) -> None:
    with pytest.raises(InvalidError):
        iso273_clearance(thread, series)

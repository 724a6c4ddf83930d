"""ISO 286-1 limits against worked fits of textbooks and an independent implementation (pressfit, MIT)."""

from __future__ import annotations

import pressfit
import pytest

from workers.model.errors import InvalidError
from workers.process.limits import iso286_limits, tolerance_um

# (size, hole, shaft, least and greatest clearance in um): machinery handbooks, seen.
WORKED_FITS = [
    (3, "H7", "g6", 2, 18),
    (4, "H7", "g6", 4, 24),
    (10, "H7", "g6", 5, 29),
    (25, "H7", "g6", 7, 41),
    (25, "H7", "p6", -35, -1),
    (5, "H9", "d9", 30, 90),
    (4, "H9", "d9", 30, 90),
]


def deviations_um(size: float, tolerance_class: str) -> tuple[float, float]:
    limits = iso286_limits(size, tolerance_class)
    return round((limits.lower_mm - size) * 1000, 3), round((limits.upper_mm - size) * 1000, 3)


@pytest.mark.parametrize(("size", "hole", "shaft", "least", "most"), WORKED_FITS)
def test_worked_fits(size: float, hole: str, shaft: str, least: float, most: float) -> None:
    (hole_low, hole_high), (shaft_low, shaft_high) = deviations_um(size, hole), deviations_um(size, shaft)
    assert (hole_low - shaft_high, hole_high - shaft_low) == (least, most)


# Sizes in the middle of every range, and the bounds themselves, which belong to the lower range.
SIZES = [1, 3, 3.1, 6, 8, 10, 14, 18, 24, 30, 35, 40, 45, 50, 60, 65, 75, 80, 90, 110, 120, 130, 150, 170, 190]
SIZES += [210, 240, 260, 300, 330, 380, 420, 480, 500]


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("hole_grade", range(5, 12))
def test_h_holes_agree_with_an_independent_table(size: float, hole_grade: int) -> None:
    """Reference: pressfit 0.1.0, hole basis, IT5 to IT11."""
    reference = pressfit.fit(f"{size} H{hole_grade}/h6")
    assert deviations_um(size, f"H{hole_grade}") == (reference.hole_ei_um, reference.hole_es_um)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize(
    "shaft", ["c11", "d9", "e8", "f7", "g6", "h6", "h11", "k6", "k7", "m6", "n6", "p6", "p7", "js7"]
)
def test_shafts_agree_with_an_independent_table(size: float, shaft: str) -> None:
    """Reference: pressfit 0.1.0."""
    reference = pressfit.fit(f"{size} H7/{shaft}")
    assert deviations_um(size, shaft) == (reference.shaft_ei_um, reference.shaft_es_um)


@pytest.mark.parametrize(("grade", "size", "micrometres"), [(12, 8, 150), (13, 25, 330), (16, 450, 4000), (14, 3, 250)])
def test_coarse_grades_follow_the_table_not_the_formula(grade: int, size: float, micrometres: float) -> None:
    """ISO 286-1 table 1 (seen in a machinery handbook); the formula gives 143.7 um for IT12 at 8 mm."""
    assert tolerance_um(size, grade) == micrometres


@pytest.mark.parametrize(
    ("hole", "deviations"),
    [("K7", (-15, 6)), ("M7", (-21, 0)), ("N7", (-28, -7)), ("P7", (-35, -14)), ("K8", (-23, 10)), ("P9", (-74, -22))],
)
def test_transition_holes_at_25_mm(hole: str, deviations: tuple[float, float]) -> None:
    """ISO 286-2, holes over 24 to 30 mm (from memory); they pin the delta rule."""
    assert deviations_um(25, hole) == deviations


@pytest.mark.parametrize(
    ("hole", "deviations"), [("K7", (-10, 0)), ("M7", (-12, -2)), ("N7", (-14, -4)), ("P7", (-16, -6))]
)
def test_transition_holes_up_to_3_mm_have_no_delta(hole: str, deviations: tuple[float, float]) -> None:
    """ISO 286-2, holes up to 3 mm (from memory)."""
    assert deviations_um(3, hole) == deviations


def test_the_one_exception_to_the_delta_rule() -> None:
    """ISO 286-1: M6 over 250 to 315 mm has its upper deviation at -9 um, not -11 (from memory)."""
    assert deviations_um(300, "M6")[1] == -9


@pytest.mark.parametrize("letter", "CDEFGH")
def test_holes_mirror_the_shafts_of_the_same_letter(letter: str) -> None:
    """The general rule of ISO 286-1: EI of a clearance hole is minus es of the shaft."""
    assert iso286_limits(25, f"{letter}8").lower_mm - 25 == pytest.approx(
        25 - iso286_limits(25, f"{letter.lower()}8").upper_mm
    )


@pytest.mark.parametrize("bad", ["H4", "H17", "X7", "s6", "K9", "N9", "7H", "", "Hh7", "jS7"])
def test_classes_outside_the_tables_are_refused(bad: str) -> None:
    with pytest.raises(InvalidError) as refusal:
        iso286_limits(25, bad)
    assert refusal.value.fields[0].pointer == "/iso286"


@pytest.mark.parametrize("size", [0, -1, 500.1])
def test_sizes_outside_the_tables_are_refused(size: float) -> None:
    with pytest.raises(InvalidError) as refusal:
        iso286_limits(size, "H7")
    assert refusal.value.fields[0].pointer == "/nominal_mm"

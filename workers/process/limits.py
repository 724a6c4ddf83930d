"""Limits of size: ISO 286-1 classes, ISO 2768-1 general tolerances, ISO 273 clearance holes, mating parts.

Look-ups in the tables beside this module, which name their source. Ranges are (over, up to and including],
so 3 mm belongs to 0-3 and 30 mm to 18-30.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache

from workers.model.errors import FieldProblem, InvalidError
from workers.model.job import Limits, Mating, ToleranceNeed
from workers.model.part import FeatureKind
from workers.process.tables import number, rows

INSIDE_KINDS = frozenset({FeatureKind.HOLE, FeatureKind.FLAT_HOLE, FeatureKind.SLOT})
HOLE_CLASSES = "C D E F G H JS P with IT5 to IT16, K M N with IT5 to IT8"
SHAFT_CLASSES = "c d e f g h js k m n p with IT5 to IT16"
LARGEST_MM = 500.0  # ISO 286-1, the end of the tables here

_CLASS = re.compile(r"^(?P<letter>[A-Za-z]{1,2})(?P<grade>[0-9]{1,2})$")
_AWAY = frozenset("cdefgh")  # clearance side: the deviation points away from the mating material
_INTO = frozenset("kmnp")  # transition and interference side


class NoSuchLimitsError(InvalidError):
    """A class, size or thread that the tables do not hold. The pointer is relative to the tolerance need."""

    slug, title = "no-such-limits", "There are no such limits of size"

    def __init__(self, pointer: str, detail: str, allowed: str) -> None:
        super().__init__(detail, fields=(FieldProblem(pointer, detail, allowed),))


@dataclass(frozen=True, slots=True)
class _SizeRange:
    over_mm: float
    up_to_mm: float
    values: dict[str, float]


def iso286_limits(nominal_mm: float, tolerance_class: str) -> Limits:
    """Limits of a hole (capital letter, ``H11``) or shaft (small letter, ``g6``) to ISO 286-1.

    Raises NoSuchLimitsError for classes and sizes outside the tables (up to 500 mm).
    """
    letter, grade = _parse_class(tolerance_class)
    if not 0.0 < nominal_mm <= LARGEST_MM:
        raise NoSuchLimitsError(
            "/nominal_mm", f"ISO 286-1 is tabulated here for sizes up to {LARGEST_MM:g} mm", "> 0 to 500 mm"
        )
    width = tolerance_um(nominal_mm, grade)
    lower = _lower_deviation_um(nominal_mm, letter, grade, width)
    return Limits(lower_mm=_mm(nominal_mm, lower), upper_mm=_mm(nominal_mm, lower + width))


def tolerance_um(nominal_mm: float, grade: int) -> float:
    """Standard tolerance IT ``grade`` (5 to 16), micrometres."""
    return _range_of("iso286_grades.csv", nominal_mm)[f"IT{grade}_um"]


def iso2768_limits(nominal_mm: float, tolerance_class: str) -> Limits:
    """Limits of a linear size without a stated tolerance: ISO 2768-1, class f, m, c or v."""
    if tolerance_class not in {"f", "m", "c", "v"}:
        raise NoSuchLimitsError(
            "/iso2768", f"ISO 2768-1 has no class {tolerance_class!r} for linear sizes", "f, m, c, v"
        )
    smallest = 3.0 if tolerance_class == "v" else 0.5
    # 0.5 mm itself is in the first range of f, m and c; for v the table starts above 3 mm.
    in_table = (nominal_mm > smallest or nominal_mm == smallest == 0.5) and nominal_mm <= 1000.0
    if not in_table:
        raise NoSuchLimitsError(
            "/nominal_mm",
            f"ISO 2768-1 {tolerance_class} has no deviation for {nominal_mm:g} mm: state limits with the size",
            f"{smallest:g} to 1000 mm",
        )
    half = _range_of("iso2768.csv", nominal_mm)[f"{tolerance_class}_mm"]
    return Limits(lower_mm=round(nominal_mm - half, 6), upper_mm=round(nominal_mm + half, 6))


def iso273_clearance(thread: str, series: str = "medium") -> float:
    """Diameter, mm, of a clearance hole for a metric thread (``M3``) to ISO 273: fine, medium or coarse."""
    holes = _clearance_holes()
    if thread not in holes:
        raise NoSuchLimitsError("/thread", f"ISO 273 is tabulated here without {thread!r}", ", ".join(holes))
    if series not in holes[thread]:
        raise NoSuchLimitsError("/series", f"ISO 273 has no series {series!r}", ", ".join(holes[thread]))
    return holes[thread][series]


def mating_limits(kind: FeatureKind, mating: Mating) -> Limits:
    """Limits of a feature from the part it meets and the clearance wanted between them."""
    if kind in INSIDE_KINDS:
        lower, upper = mating.mate_mm + mating.clearance_min_mm, mating.mate_mm + mating.clearance_max_mm
    else:
        lower, upper = mating.mate_mm - mating.clearance_max_mm, mating.mate_mm - mating.clearance_min_mm
    return Limits(lower_mm=round(lower, 6), upper_mm=round(upper, 6))


def limits_of(need: ToleranceNeed) -> Limits:
    """Limits of a toleranced feature, however they were given. Raises NoSuchLimitsError."""
    if need.limits is not None:
        return need.limits
    if need.mating is not None:
        return mating_limits(need.kind, need.mating)
    if need.iso286 is not None:
        _check_side(need.kind, need.iso286)
        return iso286_limits(need.nominal_mm, need.iso286)
    if need.iso2768 is not None:
        return iso2768_limits(need.nominal_mm, need.iso2768)
    raise NoSuchLimitsError("", f"{need.name}: no limits are given", "one of limits, iso286, iso2768, mating")


def _parse_class(tolerance_class: str) -> tuple[str, int]:
    """Letter and grade of an ISO 286-1 class, as far as the tables here go."""
    match = _CLASS.match(tolerance_class)
    letter, grade = (match["letter"], int(match["grade"])) if match else ("", 0)
    lower = letter.lower()
    known = lower in _AWAY | _INTO or letter in {"js", "JS"}
    if not (known and 5 <= grade <= 16 and _hole_grade_known(letter, grade)):
        raise NoSuchLimitsError(
            "/iso286",
            f"the ISO 286-1 class {tolerance_class!r} is not tabulated here",
            f"{HOLE_CLASSES}; {SHAFT_CLASSES}",
        )
    return letter, grade


def _hole_grade_known(letter: str, grade: int) -> bool:
    """K, M and N holes follow the delta rule of ISO 286-1 up to IT8 only; coarser ones are refused, not guessed."""
    return letter not in {"K", "M", "N"} or grade <= 8


def _check_side(kind: FeatureKind, tolerance_class: str) -> None:
    inside = kind in INSIDE_KINDS
    if tolerance_class[:1].isupper() is not inside:
        wanted = "a capital letter (hole), as H11" if inside else "a small letter (shaft), as h11"
        raise NoSuchLimitsError("/iso286", f"{tolerance_class!r} does not suit a {kind.value}", wanted)


def _lower_deviation_um(nominal_mm: float, letter: str, grade: int, width_um: float) -> float:
    """Deviation of the lower limit from nominal, micrometres."""
    if letter.lower() == "js":
        return -width_um / 2.0
    size = _shaft_deviation_um(nominal_mm, letter.lower(), grade, is_hole=letter.isupper())
    if letter.islower():
        return -size - width_um if letter in _AWAY else size
    if letter.lower() in _AWAY:
        return size
    return -size + _delta_um(nominal_mm, letter, grade) - width_um


def _shaft_deviation_um(nominal_mm: float, letter: str, grade: int, *, is_hole: bool) -> float:
    """Size of the shaft's fundamental deviation (ISO 286-1); k: for grades 4 to 7 and, by the delta rule, K8."""
    if letter == "k" and grade > 7 and not is_hole:
        return 0.0
    return _range_of("iso286_deviations.csv", nominal_mm)[f"{letter}_um"]


def _delta_um(nominal_mm: float, letter: str, grade: int) -> float:
    """ISO 286-1 delta of K, M, N (to IT8) and P (to IT7) holes: IT n - IT (n - 1), none up to 3 mm.

    The rule is from memory. Its one exception: M6 over 250 to 315 mm stands at -9, not -11.
    """
    if nominal_mm <= 3.0 or (letter == "P" and grade > 7):
        return 0.0
    finer = tolerance_um(nominal_mm, grade - 1) if grade > 5 else _it4_um(nominal_mm)
    exception = 2.0 if letter == "M" and grade == 6 and 250.0 < nominal_mm <= 315.0 else 0.0
    return tolerance_um(nominal_mm, grade) - finer + exception


def _it4_um(nominal_mm: float) -> float:
    raise NoSuchLimitsError(
        "/iso286",
        f"K, M, N and P holes of grade 5 over 3 mm ({nominal_mm:g} mm) need IT4, not tabulated here",
        "IT6 or coarser",
    )


def _mm(nominal_mm: float, deviation_um: float) -> float:
    return round(nominal_mm + deviation_um / 1000.0, 6)


def _range_of(table: str, nominal_mm: float) -> dict[str, float]:
    """The row whose range holds the size; the lowest bound itself belongs to the first row."""
    ranges = _ranges(table)
    return next(r.values for r in ranges if nominal_mm <= r.up_to_mm)


@cache
def _ranges(table: str) -> tuple[_SizeRange, ...]:
    return tuple(_size_range(row) for row in rows(table))


def _size_range(row: dict[str, str]) -> _SizeRange:
    values = {k: number(v) for k, v in row.items() if k.endswith(("_um", "_mm")) and v}
    return _SizeRange(values.pop("over_mm"), values.pop("up_to_mm"), values)


@cache
def _clearance_holes() -> dict[str, dict[str, float]]:
    return {
        row["thread"]: {s: number(row[f"{s}_mm"]) for s in ("fine", "medium", "coarse")} for row in rows("iso273.csv")
    }

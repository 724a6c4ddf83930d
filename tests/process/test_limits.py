from __future__ import annotations

import pytest

from workers.model.errors import InvalidError
from workers.model.job import Limits, Mating, ToleranceNeed
from workers.model.part import FeatureKind
from workers.process.limits import limits_of, mating_limits

SLIDE = Mating(mate_mm=5.0, clearance_min_mm=0.1, clearance_max_mm=0.3)


@pytest.mark.parametrize("kind", [FeatureKind.HOLE, FeatureKind.FLAT_HOLE, FeatureKind.SLOT])
def test_an_inside_size_is_its_mate_and_the_clearance(kind: FeatureKind) -> None:
    assert mating_limits(kind, SLIDE) == Limits(lower_mm=5.1, upper_mm=5.3)


@pytest.mark.parametrize("kind", [FeatureKind.BOSS, FeatureKind.RIB, FeatureKind.LENGTH])
def test_an_outside_size_is_its_mate_less_the_clearance(kind: FeatureKind) -> None:
    assert mating_limits(kind, SLIDE) == Limits(lower_mm=4.7, upper_mm=4.9)


@pytest.mark.parametrize(
    ("given", "limits"),
    [
        ({"limits": Limits(lower_mm=4.9, upper_mm=5.2)}, (4.9, 5.2)),
        ({"iso286": "H11"}, (5.0, 5.075)),
        ({"iso2768": "m"}, (4.9, 5.1)),
        ({"mating": SLIDE}, (5.1, 5.3)),
    ],
)
def test_limits_however_they_are_given(given: dict, limits: tuple[float, float]) -> None:
    found = limits_of(ToleranceNeed(name="bore", kind=FeatureKind.HOLE, nominal_mm=5.0, **given))
    assert (found.lower_mm, found.upper_mm) == limits


@pytest.mark.parametrize(
    ("kind", "wrong"), [(FeatureKind.HOLE, "h9"), (FeatureKind.BOSS, "H9"), (FeatureKind.SLOT, "js9")]
)
def test_a_class_of_the_other_side_is_refused(kind: FeatureKind, wrong: str) -> None:
    with pytest.raises(InvalidError) as refusal:
        limits_of(ToleranceNeed(name="x", kind=kind, nominal_mm=5.0, iso286=wrong))
    assert refusal.value.fields[0].pointer == "/iso286"


def test_a_need_without_limits_is_refused() -> None:
    with pytest.raises(InvalidError):
        limits_of(ToleranceNeed(name="x", kind=FeatureKind.HOLE, nominal_mm=5.0))

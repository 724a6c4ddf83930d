"""Outcomes coming in: judged, learnt, confirmed, withdrawn to the last digit."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.learning.outcomes import HOLE, expected, hole, key, outcome, printed, routed
from workers.learning.intake import admit, confirm, out_of_line, sums_of, withdraw
from workers.model.codec import from_json, to_json
from workers.model.errors import ConflictError, InvalidError
from workers.model.evidence import Sums, grouped, merged
from workers.model.outcome import Outcome, OutcomeState, ScrapReason

SIZE_KEY = replace(key(), kind=HOLE[0], axis=HOLE[1])


def test_an_outcome_adds_to_its_pairing_and_to_each_kind_of_size() -> None:
    sums = dict(sums_of(outcome(sizes=(hole(0.01), hole(-0.03)), print_h=2.0 * math.exp(0.1))))
    # two deltas of one size key add up, as evidence does
    (of_sizes,) = [one.sums for one in merged((), sums_of(outcome(sizes=(hole(0.01), hole(-0.03))))) if one.key.kind]
    assert sums[key()] == Sums(prints=1, volume_ul=20_000, timed=1, ln_time_ppm=100_000, ln_time_ppm2=10**10)
    assert of_sizes == Sums(sized=2, size_100nm=100 - 300, size_100nm2=100**2 + 300**2)


def test_a_size_that_nothing_was_expected_of_is_kept_and_not_learnt() -> None:
    unknown = hole(0.01, prior_mean_mm=None, expected_mean_mm=None)
    assert [one for one, _ in sums_of(outcome(sizes=(unknown,)))] == [key()]


@pytest.mark.parametrize(
    ("reason", "scrapped"), [(ScrapReason.CLOG, 0), (ScrapReason.SIZE, 0), (ScrapReason.WARPED, 1)]
)
def test_scrap_counts_where_no_other_model_answers_for_it(reason: ScrapReason, scrapped: int) -> None:
    assert dict(sums_of(outcome(accepted=False, scrap_reason=reason)))[key()].scrapped == scrapped


@pytest.mark.parametrize("broken_off", [{"clogs": 1}, {"accepted": False, "scrap_reason": ScrapReason.CAME_LOOSE}])
def test_the_hours_of_a_print_that_broke_off_say_nothing(broken_off: dict[str, object]) -> None:
    assert dict(sums_of(outcome(print_h=0.3, **broken_off)))[key()].timed == 0


def test_an_ordinary_outcome_is_learnt() -> None:
    change = admit(outcome())
    assert change.outcome.state is OutcomeState.LEARNT
    assert change.deltas == sums_of(outcome())


@pytest.mark.parametrize(
    ("odd", "said"),
    [
        ({"sizes": (hole(0.4),)}, "guide hole: measured 5.610 mm, 5.210 mm was expected"),
        ({"sizes": (hole(-1.8),)}, "was another feature measured?"),
        ({"print_h": 5.5}, "took 5 h 30 min, 2 h 00 min were expected"),
        ({"extruded_cm3": 3.0}, "extruded 3.0 cm³, 20.0 cm³ were expected"),
    ],
)
def test_an_outcome_out_of_line_is_flagged_and_not_learnt(odd: dict[str, object], said: str) -> None:
    change = admit(outcome(**odd))
    assert change.outcome.state is OutcomeState.FLAGGED
    assert any(said in flag for flag in change.outcome.flags)
    assert change.deltas == ()


def test_what_a_pairing_was_learnt_to_do_is_in_line() -> None:
    """A machine known to take 1.6 times the physics: its hours are held against what was said, not the physics."""
    slow = expected(print_h=3.2, prior_print_h=2.0, print_ln_scale=0.05, print_dof=12.0)
    assert list(out_of_line(outcome(print_h=3.3, expected=slow))) == []
    assert list(out_of_line(outcome(print_h=2.0, expected=slow))) != []


def test_a_flagged_outcome_is_learnt_once_confirmed() -> None:
    flagged = admit(outcome(sizes=(hole(0.4),))).outcome
    change = confirm(flagged)
    assert change.outcome.state is OutcomeState.CONFIRMED
    assert change.deltas == sums_of(flagged)
    assert change.outcome.version == flagged.version + 1


def test_only_a_flagged_outcome_can_be_confirmed_and_none_withdrawn_twice() -> None:
    learnt = admit(outcome()).outcome
    with pytest.raises(ConflictError):
        confirm(learnt)
    gone = withdraw(learnt).outcome
    with pytest.raises(ConflictError):
        withdraw(gone)
    with pytest.raises(ConflictError):
        confirm(gone)


def test_withdrawing_what_was_never_learnt_takes_nothing_back() -> None:
    flagged = admit(outcome(sizes=(hole(0.4),))).outcome
    assert withdraw(flagged).deltas == ()


@given(st.lists(st.tuples(st.floats(-0.2, 0.2), st.floats(0.5, 8.0)), min_size=1, max_size=12), st.randoms())
def test_withdrawing_restores_the_evidence_exactly(facts: list[tuple[float, float]], order: random.Random) -> None:
    """Whole numbers cancel to the last digit, whatever was added in between and in whatever order."""
    outcomes = [outcome(i, sizes=(hole(error),), print_h=hours) for i, (error, hours) in enumerate(facts)]
    before = merged((), (delta for one in outcomes for delta in sums_of(one)))
    extra = admit(outcome(99, machine_id="m2", sizes=(hole(0.0123456),), print_h=2.2222)).outcome
    shuffled = [*outcomes, extra]
    order.shuffle(shuffled)
    with_extra = merged((), (delta for one in shuffled for delta in sums_of(one)))
    assert with_extra != before
    assert merged(with_extra, withdraw(extra).deltas) == before


def test_neighbours_share_bore_and_material() -> None:
    both = [*sums_of(outcome(1)), *sums_of(outcome(2, machine_id="m2", nozzle_id="n04b"))]
    groups = grouped(merged((), both))
    assert {(group.material_id, group.bore_um, sums.prints or sums.sized) for group, sums in groups.items()} == {
        ("pla", 400, 2)
    }


def test_an_outcome_carries_what_its_routing_said() -> None:
    spec, candidate = routed()
    one = printed(spec, candidate, print_h=1.0, sizes=(("guide hole", 5.2),))
    (size,) = one.sizes
    assert one.expected is not None
    assert one.expected.print_h == candidate.print_h
    assert one.expected.clog_risk == candidate.clog_risk
    assert one.extruded_cm3 == candidate.volume_cm3
    assert (size.expected_mean_mm, size.lower_mm) == (candidate.fits[0].mean_mm, candidate.fits[0].lower_mm)
    assert from_json(to_json(one), Outcome) == one


def test_a_size_that_the_job_does_not_have_is_refused() -> None:
    spec, candidate = routed()
    with pytest.raises(InvalidError) as refused:
        printed(spec, candidate, sizes=(("no such hole", 5.2),))
    assert refused.value.fields[0].pointer == "/sizes/0/name"

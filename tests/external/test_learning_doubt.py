"""Nodes, draws, value of information and forecast checks against tables, closed forms and scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from tests.learning.outcomes import expected, hole, outcome
from workers.learning.check import chance_check, spread_check
from workers.learning.evidence import GammaBelief, NormalBelief
from workers.learning.intake import out_of_line
from workers.learning.nodes import (
    HIGH,
    NODES,
    NORMAL_NODES,
    POINTS,
    draws,
    gamma_nodes,
    mean_nodes,
    normal_points,
    spread_points,
    student_nodes,
)
from workers.process.student import student_interval
from workers.routing.information import _shift_scale


@pytest.mark.parametrize(("dof", "point"), [(4, 2.132), (8, 1.860), (10, 1.812), (20, 1.725), (60, 1.671)])
def test_student_nodes_end_at_the_tabulated_95_percent_points(dof: int, point: float) -> None:
    """Student t table, one side 0.05 (any handbook; memory)."""
    assert student_nodes(60)[dof, HIGH] == pytest.approx(point, abs=5e-4)
    assert student_nodes(60)[dof, 0] == pytest.approx(-point, abs=5e-4)


def test_normal_nodes_end_at_1_645() -> None:
    """Normal table: 5 % lie above 1.6449."""
    assert NORMAL_NODES[HIGH] == pytest.approx(1.6449, abs=1e-4)


def test_rate_nodes_are_quantiles_of_the_gamma() -> None:
    """Reference: scipy.stats.gamma.ppf at 5, 15 ... 95 %."""
    belief = GammaBelief(np.array([0.25, 4.0]), np.array([500.0, 3000.0]))
    points = stats.gamma.ppf((np.arange(10) + 0.5) / 10, belief.a[:, None], scale=1 / belief.b[:, None])
    np.testing.assert_allclose(gamma_nodes(belief), points, rtol=1e-9)


def test_the_mean_s_nodes_bound_its_credible_interval() -> None:
    """Marginal of a normal-inverse-gamma mean: t(dof) sqrt(variance / weight) (BDA3 3.3; memory); scipy's interval."""
    belief = NormalBelief(np.zeros(1), np.array([3.0]), np.array([7.0]), np.array([0.04]))
    low, high = stats.t(7, scale=math.sqrt(0.04 / 3.0)).interval(0.9)
    assert mean_nodes(belief)[0, [0, -1]] == pytest.approx([low, high])


def test_nineteen_draws_hold_the_next_with_a_chance_of_90_percent() -> None:
    """Order statistics: the range of n draws holds the next with (n - 1)/(n + 1), the mean of beta(n - 1, 2)."""
    assert stats.beta(POINTS - 1, 2).mean() == pytest.approx(0.9)


def test_spread_points_are_quantiles_of_chi() -> None:
    """Reference: scipy.stats.chi, over sqrt(dof)."""
    points = np.sort(spread_points(2, 60)[1, 8])
    shares = (np.arange(POINTS) + 0.5) / POINTS
    np.testing.assert_allclose(points, stats.chi.ppf(shares, 8) / math.sqrt(8), rtol=1e-9)


def test_points_of_different_causes_are_hardly_correlated() -> None:
    """Latin hypercube (McKay, Beckman & Conover 1979; memory): for random orders r has sd 1 / sqrt(n - 1)."""
    correlations = np.corrcoef(normal_points(18))[np.triu_indices(18, 1)]
    assert abs(correlations.mean()) < 0.05
    assert np.sqrt((correlations**2).mean()) == pytest.approx(1 / math.sqrt(POINTS - 1), rel=0.25)


@pytest.mark.parametrize("lead", [-1.0, 0.0, 0.5, 1.5])
def test_the_chance_of_the_better_of_two_normals(lead: float) -> None:
    """P(X > Y) = Phi(lead / sqrt 2) for unit variances (textbook); ten nodes come within three hundredths.

    Over every two of six candidates; ties count half.
    """
    drawn = NORMAL_NODES[draws(NODES, 6, 0)]
    ahead = [drawn[i] + lead - drawn[k] for i in range(6) for k in range(6) if i != k]
    chance = np.mean(np.heaviside(ahead, 0.5))
    assert chance == pytest.approx(stats.norm.cdf(lead / math.sqrt(2)), abs=0.03)


@pytest.mark.parametrize(("lead", "loss"), [(0.0, 0.3989), (0.5, 0.1978), (1.0, 0.0833)])
def test_what_may_be_gained_is_the_unit_normal_loss(lead: float, loss: float) -> None:
    """Raiffa & Schlaifer 1961: expected gain over a lead of u is phi(u) - u (1 - Phi(u)) (table from memory).

    Ten nodes leave out the far tail, so they come out a little low.
    """
    assert stats.norm.pdf(lead) - lead * stats.norm.sf(lead) == pytest.approx(loss, abs=5e-5)
    assert np.maximum(NORMAL_NODES - lead, 0.0).mean() == pytest.approx(loss - 0.008, abs=0.008)


@pytest.mark.parametrize("n", [1, 8, 1000])
def test_what_a_measurement_will_move_and_what_it_leaves_add_up(n: int) -> None:
    """Law of total variance: variance of the posterior mean + expected posterior variance = prior variance."""
    variance, weight = np.array(0.04), np.array(0.25)
    moved = _shift_scale(variance, weight, n) ** 2
    assert moved + variance / (weight + n) == pytest.approx(float(variance / weight))


@pytest.mark.parametrize(("dof", "scales"), [(4.0, 8.610), (10.0, 4.587), (30.0, 3.646)])
def test_out_of_line_begins_at_the_tabulated_tail(dof: float, scales: float) -> None:
    """Student t table, both sides 0.001 (memory): 8.610, 4.587 and 3.646."""
    inside, outside = (
        hole(0.01 * scales * share, expected_scale_mm=0.01, expected_dof=dof) for share in (0.995, 1.005)
    )
    assert list(out_of_line(outcome(sizes=(inside,)))) == []
    assert len(list(out_of_line(outcome(sizes=(outside,))))) == 1


def test_brier_score_is_the_mean_square() -> None:
    """Brier 1950 (memory): 0 for a certain right forecast, 0.25 for always 0.5, 1 for a certain wrong one."""
    assert chance_check([(1.0, True), (0.0, False)]).brier == 0.0
    assert chance_check([(0.5, True), (0.5, False)]).brier == 0.25
    assert chance_check([(1.0, False)]).brier == 1.0


def test_brier_score_falls_apart_as_murphy_says() -> None:
    """Murphy 1973 (memory): reliability - resolution + uncertainty, exact where each bin holds one forecast."""
    rng = np.random.default_rng(8)
    forecasts = rng.choice([0.03, 0.3, 0.7, 0.97], 400)
    found = chance_check([(float(p), bool(rng.random() < p)) for p in forecasts])
    share = np.array([b.n / found.n for b in found.bins])
    predicted, observed = (np.array([getattr(b, name) for b in found.bins]) for name in ("predicted", "observed"))
    reliability, resolution = share @ (predicted - observed) ** 2, share @ (observed - found.observed) ** 2
    assert found.brier == pytest.approx(reliability - resolution + found.brier_of_mean)


def test_the_90_percent_interval_holds_90_percent_of_its_own_draws() -> None:
    """Reference: draws from scipy.stats.t; within three standard deviations of the binomial."""
    errors = stats.t(5, scale=0.02).rvs(4000, random_state=9)
    found = spread_check([(float(error), 0.02, 5.0) for error in errors])
    assert found.inside_90 == pytest.approx(0.9, abs=3 * math.sqrt(0.09 / 4000))


def test_chance_between_limits_agrees_with_scipy() -> None:
    """scipy.stats.t over mixed whole and broken degrees of freedom."""
    rng = np.random.default_rng(10)
    lower, dof = rng.normal(-1, 2, (3, 40)), rng.choice([4.0, 6.0, 20.0, 4.5, 200.0], (3, 40))
    found = student_interval(lower, lower + 1.5, dof)
    np.testing.assert_allclose(found, stats.t.cdf(lower + 1.5, dof) - stats.t.cdf(lower, dof), atol=1e-12)


def test_a_log_normal_ratio_is_symmetric_in_factors() -> None:
    """ln(1/x) = -ln x: twice as slow and twice as quick are equally far out of line."""
    said = expected(print_ln_scale=0.05, print_dof=12.0)
    slow, quick = (list(out_of_line(outcome(print_h=2.0 * factor, expected=said))) for factor in (1.4, 1 / 1.4))
    assert len(slow) == len(quick) == 1

"""Evidence, capability and conformance against worked examples and scipy's distributions."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from workers.learning.evidence import (
    GammaBelief,
    NormalBelief,
    StudentT,
    chance_of_event,
    predictive,
    update_gamma,
    update_normal,
)
from workers.process.fit import conformance, cpk
from workers.process.student import student_cdf

VAGUE = 1e-12


def one(value: float) -> np.ndarray:
    return np.array([[value]])


def normal_like(mean: float, sd: float) -> StudentT:
    """A prediction that is normal for all practical purposes."""
    return StudentT(one(mean), one(sd), one(1e9))


def size_of_sample(sample: list[float]) -> StudentT:
    """What the sample alone predicts: a prior worth nothing, whose dof of -1 stands for the mean's own."""
    data = np.array(sample)
    vague = NormalBelief(one(0.0), one(VAGUE), one(-1.0), one(0.0))
    return predictive(update_normal(vague, len(data), data.sum(), (data**2).sum()))


@pytest.mark.parametrize(
    ("prior", "counts", "exposure", "posterior"),
    [
        ((10, 2), 11, 4, (21, 6)),  # Johnson, Ott & Dogucu, Bayes Rules!: counts 6, 2, 2, 1 (seen)
        ((3, 5), 3, 2, (6, 7)),  # Gelman et al., BDA3 section 2.6 (inputs from memory)
    ],
)
def test_gamma_poisson_worked_examples(
    prior: tuple[float, float], counts: int, exposure: float, posterior: tuple[float, float]
) -> None:
    belief = update_gamma(GammaBelief(np.float64(prior[0]), np.float64(prior[1])), counts, exposure)
    assert (belief.a, belief.b) == posterior
    assert belief.mean() == pytest.approx(posterior[0] / posterior[1])


def test_chance_that_a_rate_exceeds_one() -> None:
    """BDA3 section 2.6: Gamma(6, 7) exceeds 1 with probability 0.3007 (computed with scipy)."""
    belief = update_gamma(GammaBelief(np.float64(3), np.float64(5)), 3, 2)
    assert stats.gamma(belief.a, scale=1 / belief.b).sf(1.0) == pytest.approx(0.300708, abs=1e-6)


@pytest.mark.parametrize(
    ("a", "b", "exposure", "none"), [(0.5, 10, 5, 0.8164966), (1, 100, 10, 0.9090909), (0.25, 500, 100, None)]
)
def test_chance_of_no_event_is_the_negative_binomial_and_the_lomax(
    a: float, b: float, exposure: float, none: float | None
) -> None:
    """Gamma-Poisson predictive: nbinom(a, b/(b+t)).pmf(0) = lomax(a, b).sf(t)."""
    no_event = 1.0 - chance_of_event(a, b, exposure)
    assert no_event == pytest.approx(stats.nbinom(a, b / (b + exposure)).pmf(0), rel=1e-12)
    assert no_event == pytest.approx(stats.lomax.sf(exposure, a, scale=b), rel=1e-12)
    if none is not None:
        assert no_event == pytest.approx(none, abs=1e-7)


def test_nothing_seen_leaves_the_rule_of_three() -> None:
    """No event in exposure E: the 95 % upper rate is 2.995732 / E (a flat prior in the rate, shape 1)."""
    belief = update_gamma(GammaBelief(np.float64(1), np.float64(VAGUE)), 0, 200)
    assert stats.gamma(belief.a, scale=1 / belief.b).ppf(0.95) * 200 == pytest.approx(2.995732, abs=1e-6)


def test_tiny_risks_keep_their_digits() -> None:
    """Series: 1 - (1 + V/b)^-a is about a V/b when both are tiny."""
    assert chance_of_event(1e-9, 1e6, 1.0) == pytest.approx(1e-15, rel=1e-5)


@pytest.mark.parametrize(("n", "factor"), [(2, 15.5619), (3, 4.9683), (5, 3.0414), (10, 2.3726)])
def test_prediction_interval_of_small_samples(n: int, factor: float) -> None:
    """t(0.975, n - 1) sqrt(1 + 1/n), the textbook prediction interval (computed with scipy)."""
    sample = np.resize([-1.0, 1.0], n).tolist()
    size, sd = size_of_sample(sample), np.std(sample, ddof=1)
    assert size.dof == n - 1
    assert stats.t.ppf(0.975, size.dof) * size.scale / sd == pytest.approx(factor, abs=1e-4)


def test_small_samples_cost_confidence() -> None:
    """Five sizes inside 19.9 to 20.1: Student t 0.9525284, a plug-in normal 0.9978208 (computed with scipy)."""
    size = size_of_sample([20.05, 19.98, 20.02, 20.01, 19.97])
    assert conformance(size, np.array([19.9]), np.array([20.1])) == pytest.approx(0.9525284, abs=1e-6)


def test_updates_commute_and_add_up() -> None:
    """Conjugacy: two batches in either order equal one batch of both."""
    prior = NormalBelief(one(0.1), one(0.5), one(4.0), one(0.01))
    first, second = np.array([0.2, 0.3, 0.1]), np.array([0.5, -0.1])
    both = np.concatenate([first, second])

    def after(belief: NormalBelief, data: np.ndarray) -> NormalBelief:
        return update_normal(belief, len(data), data.sum(), (data**2).sum())

    for belief in (after(after(prior, first), second), after(after(prior, second), first)):
        whole = after(prior, both)
        np.testing.assert_allclose(
            [belief.mean, belief.weight, belief.dof, belief.variance],
            [whole.mean, whole.weight, whole.dof, whole.variance],
        )


def test_normal_inverse_gamma_agrees_with_numerical_integration() -> None:
    """Reference: the predictive's second moment by brute force over draws of (mean, variance) from scipy."""
    prior = NormalBelief(one(1.0), one(2.0), one(8.0), one(0.25))
    data = np.array([1.4, 0.7, 2.0, 1.1])
    belief = update_normal(prior, len(data), data.sum(), (data**2).sum())
    variances = stats.invgamma(belief.dof.item() / 2, scale=belief.dof.item() * belief.variance.item() / 2)
    sd_of_next = np.sqrt(variances.mean() * (1 + 1 / belief.weight.item()))
    size = predictive(belief)
    assert stats.t(size.dof.item(), scale=size.scale.item()).std() == pytest.approx(sd_of_next)


@pytest.mark.parametrize("dof", [1, 2, 3, 4, 5, 8, 13, 40, 59, 60, 61, 200, 4.5])
def test_student_distribution_agrees_with_scipy(dof: float) -> None:
    t = np.concatenate([np.linspace(-60, 60, 501), [0.0]])
    np.testing.assert_allclose(student_cdf(t, np.full_like(t, dof)), stats.t.cdf(t, dof), atol=1e-12)


def test_student_distribution_takes_mixed_degrees_of_freedom() -> None:
    t, dof = np.array([[0.5, 1.5], [-2.0, 0.1]]), np.array([[4.0, 9.0], [70.0, 4.0]])
    np.testing.assert_allclose(student_cdf(t, dof), stats.t.cdf(t, dof), atol=1e-12)


@pytest.mark.parametrize(
    ("mean", "sd", "lower", "upper", "cpk_value", "outside"),
    [
        (130, 8, 100, 150, 0.8333333, 0.0062981),  # textbook setting (seen), result computed
        (16, 2, 8, 20, 0.6666667, 1 - 0.9772182),  # NIST/SEMATECH e-Handbook 6.1.6 (from memory)
    ],
)
def test_capability(mean: float, sd: float, lower: float, upper: float, cpk_value: float, outside: float) -> None:
    size, low, high = normal_like(mean, sd), np.array([lower]), np.array([upper])
    assert cpk(size, low, high) == pytest.approx(cpk_value, abs=1e-6)
    assert 1 - conformance(size, low, high) == pytest.approx(outside, abs=1e-6)


@pytest.mark.parametrize(("mean", "inside"), [(-0.05, 0.839995), (0.0, 0.954500)])
def test_conformance_of_a_normal_size(mean: float, inside: float) -> None:
    """Limits +-0.1, s 0.05: normal tables (computed with scipy)."""
    assert conformance(normal_like(mean, 0.05), np.array([-0.1]), np.array([0.1])) == pytest.approx(inside, abs=1e-6)

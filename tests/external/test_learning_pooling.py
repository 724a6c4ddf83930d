"""Partial pooling, sums and half-lives against closed forms, linear algebra and published test data."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from workers.learning.ageing import DAY_S, HALF_LIFE_D, standing
from workers.learning.evidence import GammaBelief, predictive, update_gamma
from workers.learning.pooling import (
    NEIGHBOUR_SHARE,
    SIZE_RATIOS,
    SOUND_PRIOR,
    TIME_RATIOS,
    Book,
    Ratios,
    clog_belief,
    clog_prior,
    pooled,
    size_moments,
    sound_share,
    time_belief,
    time_moments,
)
from workers.model.evidence import Evidence, EvidenceKey, Sums
from workers.model.fleet import TipMaterial
from workers.process.wear import bore_growth_mm, life_cm3


def key(machine: str) -> EvidenceKey:
    return EvidenceKey(machine_id=machine, nozzle_id="n", material_id="m", bore_um=400)


def sizes(machine: str, errors_mm: list[float]) -> Evidence:
    units = [round(error * 1e4) for error in errors_mm]
    return Evidence(
        key=key(machine),
        sums=Sums(sized=len(units), size_100nm=sum(units), size_100nm2=sum(u * u for u in units)),
    )


def times(machine: str, ratios: list[float]) -> Evidence:
    units = [round(math.log(ratio) * 1e6) for ratio in ratios]
    return Evidence(
        key=key(machine),
        sums=Sums(timed=len(units), ln_time_ppm=sum(units), ln_time_ppm2=sum(u * u for u in units)),
    )


def after_own(book: Book, machine: str, ratios: Ratios) -> tuple[float, float]:
    """Mean and weight of a pairing once its own sizes are in."""
    found = pooled(book, key(machine), size_moments, ratios)
    weight = found.weight + found.own.n
    return (found.weight * found.mean + found.own.n * found.own.mean) / weight, weight


def gauss(ratios: Ratios, counts: list[int]) -> tuple[np.ndarray, np.ndarray]:
    """Covariances, in units of a print's own variance: of the pairings' means, and of all prints."""
    own = np.eye(len(counts)) / ratios.pairing
    means = own + 1.0 / ratios.group
    of = np.repeat(np.arange(len(counts)), counts)
    return means, means[np.ix_(of, of)] + np.eye(len(of))


@pytest.mark.parametrize("counts", [[3, 2, 5], [0, 4, 1], [1, 0, 0], [6, 30, 2]])
@pytest.mark.parametrize("ratios", [SIZE_RATIOS, TIME_RATIOS, Ratios(2.0, 0.7, 0.5, 4.0)])
def test_pooling_is_the_posterior_of_the_joint_normal(counts: list[int], ratios: Ratios) -> None:
    """Reference: conditioning a multivariate normal by linear algebra (Gelman et al., BDA3, section 5.4; memory)."""
    rng = np.random.default_rng(3)
    data = [np.round(rng.normal(0.02, 0.05, n), 4).tolist() for n in counts]
    book = Book(sizes(f"m{i}", errors) for i, errors in enumerate(data) if errors)
    means, prints = gauss(ratios, counts)
    of = np.repeat(np.arange(len(counts)), counts)
    gain = means[:, of] @ np.linalg.inv(prints)
    expected_mean = gain @ np.concatenate(data)
    expected_variance = np.diag(means - gain @ means[of, :])
    for i in range(len(counts)):
        mean, weight = after_own(book, f"m{i}", ratios)
        assert mean == pytest.approx(expected_mean[i], abs=1e-9)
        assert 1.0 / weight == pytest.approx(expected_variance[i], rel=1e-9)


def test_the_sums_keep_the_digits_of_numacc4() -> None:
    """NIST StRD, univariate, NumAcc4 (higher difficulty; from memory): 10000000.2, then 500 times .1 and .3.

    Certified: mean 10000000.2, standard deviation 0.1, exactly.
    """
    values = [100_000_002, *[100_000_001, 100_000_003] * 500]
    sums = Sums(sized=len(values), size_100nm=sum(values), size_100nm2=sum(v * v for v in values))
    found = size_moments(sums)
    assert found.mean == pytest.approx(100_000_002 * 1e-4, rel=1e-15)
    assert math.sqrt(found.squares / (found.n - 1)) == pytest.approx(1e-4, rel=1e-14)


def test_hours_are_learnt_as_their_geometric_mean() -> None:
    """Log-normal: the median is exp(mean of the logarithms): scipy.stats.gmean, with the prior drowned in prints."""
    ratios = np.exp(np.random.default_rng(5).normal(0.2, 0.05, 3000))
    belief = time_belief(Book([times("m", ratios.tolist())]), [key("m")])
    assert math.exp(belief.mean.item()) == pytest.approx(stats.gmean(ratios), rel=1e-4)


def test_hours_of_the_next_print_are_the_sample_s_own_prediction_interval() -> None:
    """t(0.975, n - 1) s sqrt(1 + 1/n) on the logarithms (textbook), with so many prints that the prior is drowned."""
    logs = np.random.default_rng(6).normal(-0.1, 0.05, 2000)
    belief = time_belief(Book([times("m", np.exp(logs).tolist())]), [key("m")])
    spread = predictive(belief)
    n = len(logs)
    own = stats.t.ppf(0.975, n - 1) * logs.std(ddof=1) * math.sqrt(1 + 1 / n)
    assert stats.t.ppf(0.975, spread.dof.item()) * spread.scale.item() == pytest.approx(own, rel=5e-3)
    assert time_moments(Book([times("m", np.exp(logs).tolist())]).of(key("m"))).mean == pytest.approx(logs.mean())


def test_a_pairing_s_own_clogs_are_the_conjugate_update() -> None:
    """Gamma-Poisson (BDA3 2.6; memory): a + events, b + exposure.

    Twice rate x exposure is chi-squared(8): 2.7326 at 5 %, 15.5073 at 95 % (tables, memory).
    """
    book = Book([Evidence(key=key("m"), sums=Sums(clogs=3, volume_ul=2_000_000))])
    belief = clog_belief(book, [key("m")], GammaBelief(np.array([1.0]), np.array([1000.0])))
    low, high = stats.gamma(belief.a, scale=1 / belief.b).interval(0.9)
    assert (belief.a.item(), belief.b.item()) == (4.0, 3000.0)
    assert low.item() * 3000 == pytest.approx(
        1.366318, abs=1e-5
    )  # chi-squared(8) 5 % point 2.7326 (tables, memory) / 2
    assert high.item() * 3000 == pytest.approx(15.5073 / 2, abs=1e-4)


def test_a_neighbour_s_clogs_enter_as_a_power_prior() -> None:
    """Ibrahim & Chen 2000 (memory): the likelihood to the power a0 multiplies events and exposure by a0."""
    book = Book([Evidence(key=key("next"), sums=Sums(clogs=5, volume_ul=1_000_000))])
    prior = GammaBelief(np.array([1.0]), np.array([1000.0]))
    found = clog_belief(book, [key("m")], prior)
    expected = update_gamma(prior, 5 * NEIGHBOUR_SHARE, 1000.0 * NEIGHBOUR_SHARE)
    assert (found.a, found.b) == (expected.a, expected.b)


def test_scrap_is_the_mean_of_the_beta_posterior() -> None:
    """Beta-binomial (textbook); reference scipy.stats.beta."""
    book = Book([Evidence(key=key("m"), sums=Sums(prints=40, scrapped=3))])
    good, bad = SOUND_PRIOR
    assert sound_share(book, [key("m")]).item() == pytest.approx(stats.beta(good + 37, bad + 3).mean())


def test_clean_printing_bounds_the_rate_by_the_rule_of_three() -> None:
    """Nothing in exposure E: the flat prior's 95 % bound is 2.9957 / E; ours, drowned by exposure, lies below it."""
    clean = Book([Evidence(key=key("m"), sums=Sums(volume_ul=10**9))])
    belief = clog_belief(clean, [key("m")], clog_prior(np.array([5e-4])))
    assert stats.gamma(belief.a, scale=1 / belief.b).ppf(0.95).item() < 2.995732 / 1e6


def test_calibrations_decay_as_half_lives_do() -> None:
    """exp(-ln 2 t / T): a tenth is left after 3.3219 half-lives (log2 10)."""
    assert standing(0.0, 3.321928 * HALF_LIFE_D * DAY_S).weight == pytest.approx(0.1, rel=1e-6)


def test_wear_goes_with_the_sliding_distance() -> None:
    """Archard 1953 (memory): wear volume is proportional to the distance, here to the volume put through."""
    life = life_cm3(TipMaterial.BRASS)
    growth = [bore_growth_mm(TipMaterial.BRASS, share * life) for share in (0.25, 0.5, 1.0)]
    assert growth[1:] == pytest.approx([2 * growth[0], 4 * growth[0]])

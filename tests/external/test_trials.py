"""The statistics of bore trials against certified values, worked examples and two other libraries."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy
from scipy import stats
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm
from statsmodels.stats.contingency_tables import StratifiedTable
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.power import TTestIndPower
from statsmodels.stats.proportion import confint_proportions_2indep

from workers.planning.trials.anova import analyse, half_width
from workers.planning.trials.design import Place, chosen_bores, counts_of, efficiency, pair_variances
from workers.planning.trials.exact import fisher_power, homogeneity_p, lowest_telling_share, trend_p
from workers.planning.trials.multiple import holm
from workers.planning.trials.power import least_difference, power_of
from workers.planning.trials.shares import difference_limits, share_limits
from workers.planning.trials.verdict import tolerance_factor

NIST = Path(scipy.__file__).parent / "stats" / "tests" / "data" / "nist_anova"


def one_way(groups):
    """As a trial of one block and one material: the groups are the bores."""
    y = np.concatenate([np.array(group, dtype=float) for group in groups])
    bore = [i for i, group in enumerate(groups) for _ in group]
    return analyse(y, [0] * len(y), bore, [0] * len(y))


def certified(name: str):
    """Groups and certified values of one NIST StRD file: between and within (dof, squares, mean square), F."""
    lines = (NIST / f"{name}.dat").read_text().splitlines()
    between = next(line.split() for line in lines if line.startswith("Between"))
    within = next(line.split() for line in lines if line.startswith("Within"))
    rows = [line.split() for line in lines[60:] if line.strip()]
    groups: dict[int, list[float]] = {}
    for label, value in rows:
        groups.setdefault(int(label), []).append(float(value))
    return list(groups.values()), [float(x) for x in between[-4:]], [float(x) for x in within[-3:]]


DIGITS = {"SiRstv": 10, "SmLs01": 12, "SmLs02": 11, "SmLs03": 10, "AtmWtAg": 8, "SmLs04": 8, "SmLs05": 8, "SmLs06": 8}


@pytest.mark.parametrize(("name", "digits"), DIGITS.items())
def test_analysis_of_variance_has_the_certified_digits(name, digits):
    """NIST Statistical Reference Datasets, analysis of variance; the files ship inside the scipy wheel."""
    groups, between, within = certified(name)
    found = one_way(groups)
    bore, scatter = found.row("bore"), found.row("scatter")
    near = pytest.approx
    assert (bore.dof, scatter.dof) == (between[0], within[0])
    assert bore.squares == near(between[1], rel=10.0**-digits)
    assert scatter.squares == near(within[1], rel=10.0**-digits)
    assert bore.f == near(between[3], rel=10.0**-digits)


def test_one_way_example_of_the_handbook():
    """NIST/SEMATECH e-Handbook 7.4.3 (three levels of five readings; readings and result from memory)."""
    levels = [[6.9, 5.4, 5.8, 4.6, 4.0], [8.3, 6.8, 7.8, 9.2, 6.5], [8.0, 10.5, 8.1, 6.9, 9.3]]
    found = one_way(levels).row("bore")
    assert found.f == pytest.approx(9.5911, abs=5e-4)
    assert found.p == pytest.approx(0.0032482, abs=5e-7)
    assert tuple(stats.f_oneway(*levels)) == pytest.approx((found.f, found.p))


GRAFTS = [
    [90.3, 89.2, 98.2, 93.9, 87.4, 97.9],
    [92.5, 89.5, 90.6, 94.7, 87.0, 95.8],
    [85.5, 90.8, 89.6, 86.2, 88.0, 93.4],
    [82.5, 89.5, 85.6, 87.4, 78.9, 90.7],
]


def test_randomised_complete_blocks_example():
    """Montgomery, Design and Analysis of Experiments, 4.1: vascular grafts, four pressures in six batches of resin
    (data and results from memory): treatments 178.17, blocks 192.25, error 109.89 with 15 dof, F 8.11, p 0.0019."""
    y = np.array(GRAFTS).ravel()
    found = analyse(y, list(range(6)) * 4, np.repeat(range(4), 6).tolist(), [0] * 24)
    bore, block, scatter = found.row("bore"), found.row("block"), found.row("scatter")
    assert (bore.squares, block.squares, scatter.squares) == pytest.approx((178.17, 192.25, 109.89), abs=0.006)
    assert (bore.dof, block.dof, scatter.dof) == (3, 5, 15)
    assert bore.f == pytest.approx(8.11, abs=0.006)
    assert bore.p == pytest.approx(0.0019, abs=5e-5)
    first = found.differences[0]
    assert first.error == pytest.approx(np.sqrt(2 * 109.89 / 15 / 6), rel=1e-4)


def test_balanced_incomplete_blocks_example():
    """Montgomery, 4.4: four catalysts in four batches of three (data and results from memory): catalysts adjusted for
    batches 22.75, batches 55.00, error 3.25 with 5 dof, F 11.66."""
    rows = [(0, 0, 73), (0, 1, 74), (0, 3, 71), (1, 1, 75), (1, 2, 67), (1, 3, 72),
            (2, 0, 73), (2, 1, 75), (2, 2, 68), (3, 0, 75), (3, 2, 72), (3, 3, 75)]  # fmt: skip
    bore, block, y = (list(column) for column in zip(*rows, strict=True))
    found = analyse(np.array(y, dtype=float), block, bore, [0] * 12)
    assert found.row("bore").squares == pytest.approx(22.75)
    assert found.row("block").squares == pytest.approx(55.0)
    assert found.row("scatter").squares == pytest.approx(3.25)
    assert found.row("bore").f == pytest.approx(11.66, abs=0.01)
    counts = counts_of([Place(b, (0, 1, 2, 3), 3) for b in range(4)], [[0, 2, 3], [0, 1, 2], [1, 2, 3], [0, 1, 3]], 4)
    assert efficiency(counts) == pytest.approx(8 / 9)  # lambda t / (r k) = 2 * 4 / (3 * 3)
    assert set(np.round(list(pair_variances(counts).values()), 9)) == {0.75}  # 2 k / (lambda t)


def unbalanced(seed: int = 3):
    rng = np.random.default_rng(seed)
    rows = [(block, bore) for block in range(6) for bore in range(4) for _ in range(1 + int(rng.integers(0, 2)))]
    rows = [row for row in rows if rng.random() > 0.15]
    block, bore = (list(column) for column in zip(*rows, strict=True))
    material = [one % 2 for one in block]
    y = rng.normal(size=len(rows)) + np.array(bore) * (0.3 + 0.5 * np.array(material)) + np.array(block)
    return y, block, bore, material


@pytest.mark.filterwarnings("ignore:The design matrix is rank-deficient")
def test_unbalanced_blocks_with_interaction_agree_with_a_second_library():
    """statsmodels: what each model of a growing row leaves over, block, then bore, then material x bore."""
    y, block, bore, material = unbalanced()
    cell = (10 * np.array(material) + np.array(bore)).tolist()
    frame = pd.DataFrame({"y": y, "block": block, "bore": bore, "cell": cell})
    models = ("C(block)", "C(block) + C(bore)", "C(block) + C(bore) + C(cell)")
    blocks, bores, crossed = (ols(f"y ~ {model}", frame).fit() for model in models)
    found = analyse(y, block, bore, material)
    assert found.row("bore").squares == pytest.approx(blocks.ssr - bores.ssr)
    assert found.row("material x bore").squares == pytest.approx(bores.ssr - crossed.ssr)
    assert found.row("scatter").squares == pytest.approx(crossed.ssr)
    table = anova_lm(bores, crossed)
    last = found.row("material x bore")
    assert (last.f, last.p, last.dof) == pytest.approx((table["F"][1], table["Pr(>F)"][1], table["df_diff"][1]))
    assert found.row("bore").p == pytest.approx(stats.f.sf(found.row("bore").f, 3, found.dof))


def test_differences_and_their_intervals_agree_with_a_second_library():
    """statsmodels, without materials: treatment contrasts, their standard errors, chances and 95 % intervals."""
    y, block, bore, _ = unbalanced(5)
    fitted = ols("y ~ C(block) + C(bore)", pd.DataFrame({"y": y, "block": block, "bore": bore})).fit()
    found = analyse(y, block, bore, [0] * len(y))
    for one in (d for d in found.differences if d.first == 0):
        name = f"C(bore)[T.{one.second}]"
        expected = (fitted.params[name], fitted.bse[name], fitted.pvalues[name])
        assert (one.value, one.error, one.p) == pytest.approx(expected)
        half = half_width(one.error, found.dof, 0.05)
        assert (one.value - half, one.value + half) == pytest.approx(tuple(fitted.conf_int().loc[name]))


def test_holm_agrees_with_a_second_library():
    chances = [0.011, 0.02, 0.3, 0.0004, 0.02]
    assert holm(chances) == pytest.approx(list(multipletests(chances, method="holm")[1]))


@pytest.mark.parametrize(("n", "power"), [(64, 0.80), (85, 0.90)])
def test_power_of_two_groups_as_tabulated(n, power):
    """Cohen 1988, table 2.4.1 (from memory): d 0.5 at a two-sided 5 % wants 64 in each group for 0.80, 85 for 0.90."""
    assert round(power_of(0.5, np.sqrt(2 / n), 2 * n - 2, 0.05), 2) == power
    assert round(power_of(0.5, np.sqrt(2 / (n - 2)), 2 * n - 6, 0.05), 2) < power


@pytest.mark.parametrize(("n", "alpha"), [(4, 0.05), (6, 0.0167), (12, 0.05), (30, 0.01)])
def test_power_and_least_difference_agree_with_a_second_library(n, alpha):
    error, dof = np.sqrt(2 / n), 2 * n - 2
    least = least_difference(error, dof, alpha, 0.8)
    solved = TTestIndPower().solve_power(None, nobs1=n, alpha=alpha, power=0.8)
    assert least == pytest.approx(solved, rel=1e-5)
    assert power_of(0.7, error, dof, alpha) == pytest.approx(TTestIndPower().power(0.7, n, alpha), rel=1e-6)


def test_the_lady_tasting_tea():
    """Fisher 1935; Agresti, Categorical Data Analysis, 3.5.2 (from memory): 3 of 4 cups right, one-sided 0.243,
    two-sided 0.486."""
    assert trend_p([((3, 4), (1, 4))]) == pytest.approx(0.486, abs=5e-4)


@pytest.mark.parametrize("table", [(3, 10, 9, 11), (0, 4, 4, 4), (5, 5, 5, 5), (7, 9, 2, 12), (1, 30, 8, 22)])
def test_one_block_and_two_bores_is_fishers_exact_test(table):
    a, n, b, m = table
    assert trend_p([((a, n), (b, m))]) == pytest.approx(stats.fisher_exact([[a, n - a], [b, m - b]]).pvalue)


def test_pairs_are_mcnemars_exact_test():
    """Of 11 unlike pairs 9 speak for the second bore: the sign test."""
    pairs = [((0, 1), (1, 1))] * 9 + [((1, 1), (0, 1))] * 2 + [((1, 1), (1, 1))] * 20
    assert trend_p(pairs) == pytest.approx(stats.binomtest(9, 11).pvalue)


def test_many_blocks_come_to_the_cochran_mantel_haenszel_test():
    """statsmodels' asymptotic test, corrected for continuity, on large blocks."""
    strata = [((120, 240), (142, 240)), ((88, 200), (100, 220)), ((164, 320), (170, 300))]
    tables = [np.array([[a, n - a], [b, m - b]]) for (a, n), (b, m) in strata]
    asymptotic = StratifiedTable([t.astype(float) for t in tables]).test_null_odds(correction=True).pvalue
    assert trend_p(strata) == pytest.approx(asymptotic, rel=0.05)


def test_a_trend_over_three_bores_is_the_share_of_all_arrangements():
    """Every way to deal out the block's yeses, counted one by one."""
    yes, runs = (0, 1, 3), (3, 3, 3)
    bore = np.repeat(range(3), runs)
    dealt = [sum(bore[list(one)]) for one in itertools.combinations(range(9), sum(yes))]
    chance = {s: dealt.count(s) / len(dealt) for s in set(dealt)}
    seen = chance[sum(b * k for b, k in enumerate(yes))]
    expected = sum(p for p in chance.values() if p <= seen * (1 + 1e-7))
    assert trend_p([tuple(zip(yes, runs, strict=True))]) == pytest.approx(expected)


def test_equal_trends_by_counting_every_arrangement():
    """Zelen's test for two blocks of two bores: hypergeometric chances of the pairs of tables with the same total."""
    one, other = ((1, 5), (4, 5)), ((4, 6), (2, 6))

    def chances(yes, n, m):
        return {k: stats.hypergeom(n + m, m, yes).pmf(k) for k in range(yes + 1) if k <= m and yes - k <= n}

    first, second = chances(5, 5, 5), chances(6, 6, 6)
    joint = {k: p * second[6 - k] for k, p in first.items() if 6 - k in second}
    expected = sum(p for p in joint.values() if p <= joint[4] * (1 + 1e-7)) / sum(joint.values())
    assert homogeneity_p([one], [other]) == pytest.approx(expected)


def test_power_of_fishers_test_by_enumeration():
    def tells(a, b):
        return stats.fisher_exact([[a, 8 - a], [b, 8 - b]]).pvalue <= 0.05

    one, two = stats.binom(8, 0.9), stats.binom(8, 0.2)
    expected = sum(one.pmf(a) * two.pmf(b) for a in range(9) for b in range(9) if tells(a, b))
    assert fisher_power(8, 0.9, 0.2, 0.05) == pytest.approx(expected)
    least = lowest_telling_share(8, 0.9, 0.05, 0.8)
    assert fisher_power(8, 0.9, least, 0.05) == pytest.approx(0.8, abs=1e-4)


@pytest.mark.parametrize(("yes", "runs"), [(0, 10), (3, 10), (10, 10), (29, 40)])
def test_limits_of_a_share_are_exact(yes, runs):
    """Clopper and Pearson, as scipy has them; no failure in 10 runs leaves 0.05^(1/10) one-sided (rule of three's
    exact form)."""
    exact = stats.binomtest(yes, runs).proportion_ci(0.9, "exact")
    assert share_limits(yes, runs, 0.9) == pytest.approx((exact.low, exact.high))
    assert share_limits(10, 10, 0.9)[0] == pytest.approx(0.05**0.1)


def test_limits_of_a_difference_of_shares():
    """Newcombe 1998, table II, 56/70 against 48/80 by method 10: 0.0524 to 0.3339 (from memory)."""
    assert difference_limits(56, 70, 48, 80, 0.05) == pytest.approx((0.0524, 0.3339), abs=5e-5)
    other = confint_proportions_2indep(9, 10, 3, 10, method="newcomb")
    assert difference_limits(9, 10, 3, 10, 0.05) == pytest.approx(other)


def test_one_sided_tolerance_factor():
    """NIST/SEMATECH e-Handbook 7.2.6.3 (from memory): 43 readings, 90 % of all at 99 % confidence, by the noncentral t:
    1.8740."""
    assert tolerance_factor(43, 42, 0.9, 0.99) == pytest.approx(1.8740, abs=5e-5)
    assert tolerance_factor(10, 9, 0.95, 0.95) == pytest.approx(2.911, abs=5e-4)  # usual table of k factors (memory)
    pooled = stats.nct.ppf(0.95, 14, stats.norm.ppf(0.9) * 6**0.5) / 6**0.5
    assert tolerance_factor(6, 14, 0.9, 0.95) == pytest.approx(pooled)


@pytest.mark.parametrize(
    ("bores", "size", "blocks"), [(4, 3, 4), (3, 2, 3), (5, 2, 10), (7, 3, 7), (4, 2, 6), (6, 5, 6)]
)
def test_balanced_designs_are_found_where_there_are_any(bores, size, blocks):
    """A balanced incomplete block design reaches t (k - 1) / (k (t - 1)), and nothing is better (Cochran & Cox 1957,
    from memory)."""
    places = [Place(b, tuple(range(bores)), size) for b in range(blocks)]
    counts = counts_of(places, chosen_bores(places, bores, seed=11), bores)
    assert efficiency(counts) == pytest.approx(bores * (size - 1) / (size * (bores - 1)))

from __future__ import annotations

import pytest

from workers.model.fleet import TipMaterial
from workers.process.moisture import FACTOR_MAX, clog_factor, hours_since
from workers.process.wear import GROWTH_AT_END_MM, bore_growth_mm, life_cm3, wear_class, worn_share


def test_harder_tips_last_longer() -> None:
    """Common practice, no source: brass, coated brass, stainless, hardened steel, carbide, gem."""
    lives = [life_cm3(tip) for tip in TipMaterial]
    assert lives == sorted(lives)
    assert [wear_class(tip) for tip in TipMaterial] == sorted(wear_class(tip) for tip in TipMaterial)


def test_the_bore_grows_in_proportion_up_to_the_end_of_the_tip() -> None:
    tip, life = TipMaterial.BRASS, life_cm3(TipMaterial.BRASS)
    assert bore_growth_mm(tip, 0.0) == 0.0
    assert bore_growth_mm(tip, life / 2) == pytest.approx(GROWTH_AT_END_MM / 2)
    assert bore_growth_mm(tip, 5 * life) == GROWTH_AT_END_MM
    assert worn_share(tip, 2 * life) == pytest.approx(2.0)


def test_a_dry_spool_and_an_unknown_one_raise_nothing() -> None:
    assert clog_factor(8.0, 8.0) == clog_factor(None, 8.0) == clog_factor(100.0, None) == 1.0


def test_a_wet_spool_clogs_more_often_up_to_a_bound() -> None:
    assert clog_factor(16.0, 8.0) == pytest.approx(1.5)
    assert clog_factor(1e6, 8.0) == FACTOR_MAX


def test_hours_since_drying_are_known_only_where_both_moments_are() -> None:
    assert hours_since(0.0, 7200.0) == 2.0
    assert hours_since(None, 7200.0) is hours_since(0.0, None) is None
    assert hours_since(7200.0, 0.0) == 0.0

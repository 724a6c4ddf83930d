from __future__ import annotations

import numpy as np
import pytest

from workers.model.fleet import TipMaterial
from workers.process.clog import PHI_REF, effective_bore, prior_belief, rate_per_cm3, risk


@pytest.mark.parametrize("tip", TipMaterial)
def test_wear_only_takes_from_the_bore(tip: TipMaterial) -> None:
    bores = [effective_bore(0.4, tip, worn) for worn in (0.0, 500.0, 5000.0, 1e6)]
    assert bores == sorted(bores, reverse=True)
    assert 0.36 < bores[-1] <= bores[0] <= 0.4


def test_rate_falls_with_the_bore_and_rises_with_length_and_loading() -> None:
    bores = np.linspace(0.15, 1.2, 40)
    assert (np.diff(rate_per_cm3(bores, 200.0, PHI_REF)) <= 0).all()
    assert rate_per_cm3(0.3, 200.0, PHI_REF) > 10 * rate_per_cm3(0.5, 200.0, PHI_REF)
    assert (np.diff(rate_per_cm3(0.4, np.linspace(0, 400, 40), PHI_REF)) >= 0).all()
    assert (np.diff(rate_per_cm3(0.4, 200.0, np.linspace(0, 0.4, 40))) > 0).all()


def test_risk_has_a_row_a_job_and_a_column_a_pairing() -> None:
    belief = prior_belief(np.array([1e-4, 1e-3, 1e-2]))
    chances = risk(belief.a, belief.b, np.array([0.0, 50.0]))
    assert chances.shape == (2, 3)
    assert (chances[0] == 0).all()
    assert (np.diff(chances[1]) > 0).all()

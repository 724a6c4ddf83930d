"""The pages on the models say what the code does."""

from __future__ import annotations

import re

import pytest

from tests.external.test_named_checks import checks
from workers.learning import ageing, nodes, pooling
from workers.model.routing import Weighed
from workers.process import clog, fit, models, moisture, wear
from workers.process.strength import HEIGHT_TO_BORE_LOAD_MAX

PAGES = {page.id: page for page in models.model_pages()}


def test_every_score_has_a_page() -> None:
    assert set(Weighed) <= set(PAGES)


@pytest.mark.parametrize("page", PAGES.values(), ids=PAGES)
def test_a_page_is_about_half_a_page_and_names_its_sources(page: models.ModelPage) -> None:
    assert 200 <= len(page.says) <= 1200
    assert page.formula
    assert page.range
    assert page.learns_under
    assert any(re.search(r"\b(1[89]|20)\d\d\b|engineering prior|Geometry", source) for source in page.sources)


@pytest.mark.parametrize("page", PAGES.values(), ids=PAGES)
def test_the_checks_that_a_page_names_exist(page: models.ModelPage) -> None:
    assert page.checks
    assert set(page.checks) <= set(checks())


@pytest.mark.parametrize(
    ("page", "figure"),
    [
        ("fit", fit.SWELL_PER_MM),
        ("fit", fit.SWELL_POWER),
        ("clog", clog.FILLED_RATE_PER_CM3),
        ("clog", clog.PHI_REF),
        ("clog", clog.LENGTHS_PER_BORE),
        ("clog", pooling.CLOG_PRIOR_CM3),
        ("strength", HEIGHT_TO_BORE_LOAD_MAX),
        ("wear", wear.GROWTH_AT_END_MM),
        ("moisture", moisture.RATE_PER_LIMIT),
        ("moisture", moisture.FACTOR_MAX),
        ("calibration", ageing.HALF_LIFE_D),
        ("calibration", ageing.CHANGED),
        ("doubt", nodes.DRAWS),
    ],
)
def test_the_figures_on_a_page_are_the_code_s(page: str, figure: float) -> None:
    text = " ".join((PAGES[page].says, *PAGES[page].formula))
    assert re.search(rf"(?<![\d.]){re.escape(f'{figure:g}')}(?![\d]|\.\d)", text), f"{figure:g} is not on the page"


def test_the_pooling_ratios_are_the_page_s() -> None:
    """3 v and v for sizes, 6 v' and 2 v' for hours, in units of one print's own variance."""
    assert (1 / pooling.SIZE_RATIOS.pairing, 1 / pooling.SIZE_RATIOS.group) == pytest.approx((3.0, 1.0))
    assert (1 / pooling.TIME_RATIOS.pairing, 1 / pooling.TIME_RATIOS.group) == pytest.approx((6.0, 2.0))

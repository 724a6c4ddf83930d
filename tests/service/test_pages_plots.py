"""The curves and drawings of the job page against general reference libraries."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
import shapely
from scipy.stats import nbinom, t

from service.pages.layer_view import area_mm2, layer_panels
from service.pages.plots.clog import clog_plot, risk_of
from service.pages.plots.fit import density, fit_plots
from tests.service import api_bodies as bodies
from tests.service.conftest import Caller
from workers.model.part import GeometrySummary, LostRegion, WorstLayer
from workers.model.routing import Candidate, FitPrediction, Grounds, Scores
from workers.tasks import drain_inbox

FIT = FitPrediction(
    name="bore", lower_mm=6.0, upper_mm=6.075, mean_mm=6.02, scale_mm=0.03, dof=5.0, probability=0.7, cpk=0.2
)


def candidate(**changes: object) -> Candidate:
    made = Candidate(
        machine_id="m",
        nozzle_id="n",
        material_id="a",
        bore_mm=0.4,
        bead_width_mm=0.45,
        layer_height_mm=0.2,
        calibrated=False,
        scores=Scores(detail=1, fit=1, clog=1, time=1),
        utility=0.0,
        print_h=1.0,
        setup_h=0.1,
        material_g=10.0,
        clog_risk=0.05,
        good_share=0.9,
        hours_per_good=1.2,
        grams_per_good=11.0,
        cost_per_good=3.0,
    )
    return replace(made, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize("dof", [1.0, 4.0, 30.0, 1e6])
def test_the_density_is_that_of_students_t(dof: float) -> None:
    """scipy.stats.t is the reference; far out, where a normal curve stands for t, to a thousandth."""
    fit = replace(FIT, dof=dof)
    for mm in (5.9, 6.02, 6.2):
        assert density(fit, mm) == pytest.approx(t.pdf(mm, dof, fit.mean_mm, fit.scale_mm), rel=1e-3)


@pytest.mark.parametrize(("a", "b"), [(0.1, 500.0), (2.0, 40.0), (30.0, 9000.0)])
def test_the_clog_curve_is_found_again_from_one_copy(a: float, b: float) -> None:
    """Counts under a gamma-distributed rate are negative binomial: P(none in V) = (b/(b+V))^a (scipy.stats.nbinom)."""
    volume = 25.0

    def chance(cm3: float) -> float:
        return 1.0 - float(nbinom.pmf(0, a, b / (b + cm3)))

    one = candidate(volume_cm3=volume, clog_risk=chance(volume), grounds=Grounds(clog_per_cm3=a / b))
    risk = risk_of(one)
    assert risk is not None
    for cm3 in (1.0, 25.0, 100.0, 1000.0):
        assert risk.within(cm3) == pytest.approx(chance(cm3), rel=1e-6)


def test_a_clog_plot_marks_the_copies_and_is_left_out_where_nothing_is_known() -> None:
    one = candidate(volume_cm3=10.0, grounds=Grounds(clog_per_cm3=0.006))
    plot = clog_plot([one], ["1 m"], quantity=8)
    assert plot is not None
    assert [n for n, _ in plot.marks] == [1, 2, 8]
    assert plot.curves[0].risk.within(10.0) == pytest.approx(0.05)
    assert plot.curves[0].risk.within(80.0) == pytest.approx(plot.top)
    assert clog_plot([candidate()], ["1 m"], quantity=1) is None


def test_each_size_stands_beside_the_runner_up_s_prediction_of_it() -> None:
    other = candidate(fits=(replace(FIT, name="pin"), replace(FIT, mean_mm=6.05)))
    (plot,) = fit_plots(candidate(fits=(FIT,)), other)
    assert plot.other is not None
    assert (plot.chosen.mean_mm, plot.other.mean_mm) == (6.02, 6.05)
    assert "Choice: 6.02 ± 0.03 mm, conforms 70 %. Second: 6.05" in plot.words
    assert fit_plots(candidate(fits=(FIT,)), None)[0].other is None


def test_each_bore_gets_the_layer_in_which_it_loses_most() -> None:
    def square(side: float) -> tuple[tuple[float, float], ...]:
        return ((0.0, 0.0), (side, 0.0), (side, side), (0.0, side))

    low = WorstLayer(z_mm=1, outline=(square(20),), regions=(LostRegion(bead_width_mm=0.25, lost=(square(1),)),))
    high = WorstLayer(z_mm=9, outline=(square(20),), regions=(LostRegion(bead_width_mm=0.8, lost=(square(3),)),))
    summary = GeometrySummary(extent_x_mm=20, extent_y_mm=20, extent_z_mm=10, volume_mm3=900, worst_layers=(low, high))
    ranked = [candidate(bore_mm=bore, bead_width_mm=bead) for bore, bead in ((0.8, 0.9), (0.4, 0.45), (0.2, 0.22))]
    panels = {one.bore_mm: one for one in layer_panels(summary, ranked)}
    assert [(b, p.z_mm, p.lost_mm2) for b, p in sorted(panels.items())] == [(0.2, 1, 0), (0.4, 1, 1), (0.8, 9, 9)]
    assert layer_panels(replace(summary, worst_layers=()), ranked) == ()


def test_the_area_of_rings_is_that_of_shapely() -> None:
    """A ring with a hole, as GEOS writes them: outline and holes turn opposite ways."""
    shape = shapely.difference(shapely.Point(0, 0).buffer(5), shapely.Point(1, 0).buffer(2))
    rings = [tuple(ring.coords[:-1]) for ring in (shape.exterior, *shape.interiors)]
    assert area_mm2(rings) == pytest.approx(shape.area, rel=1e-9)
    assert area_mm2(rings) == pytest.approx(math.pi * (25 - 4), rel=0.01)


def test_the_page_of_a_part_with_outlines_draws_them(shop: Caller) -> None:
    layer = {"z_mm": 3, "outline": [[[0, 0], [40, 0], [40, 30], [0, 30]]], "regions": [
        {"bead_width_mm": 0.25, "lost": [[[0, 0], [0.2, 0], [0.2, 9], [0, 9]]]}]}  # fmt: skip
    body = bodies.job(summary=bodies.summary(worst_layers=[layer]))
    job_id = shop.made("/v1/jobs", body)["id"]
    drain_inbox(shop.stores, "test")
    text = shop.client.get(f"/jobs/{job_id}").text
    assert "Where each bore loses detail" in text
    assert "1 place, 1.8 mm²" in text

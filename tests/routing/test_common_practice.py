"""What the trade knows must come out of the whole routing. Common practice, no source, unless said otherwise."""

from __future__ import annotations

import pytest

from tests.builders import block, chopped_fibre, curves, job, machine, nozzle, plain, shop, sliding_hole, spool
from workers.model.fleet import Hotend
from workers.model.job import Emphasis, JobSpec, Use
from workers.model.part import DetailCurves
from workers.model.routing import Candidate
from workers.routing.decide import Router

pytestmark = pytest.mark.common_practice

WIDTHS = (0.1, 0.2, 0.25, 0.3, 0.36, 0.4, 0.44, 0.5, 0.55, 0.6, 0.66, 0.75, 0.8, 0.9, 1.0, 1.25, 1.5, 2.0)


def by_bore(spec: JobSpec, *bores: float, flow: float = 15.0) -> dict[float, Candidate]:
    """The best candidate of each bore, on otherwise equal machines."""
    found = {}
    for bore in bores:
        hotend = Hotend(fitting="short", flow_ceiling_mm3_s=flow, nozzle_temp_max_c=300.0)
        one = shop(machines=(machine(hotend=hotend),), nozzles=(nozzle("n", bore),))
        chosen = Router(one).route([spec])[0].chosen
        assert chosen is not None
        found[bore] = chosen
    return found


def choice(spec: JobSpec, *bores: float) -> float:
    """The bore that is chosen when all are mounted."""
    mounted = tuple(nozzle(f"n{i}", bore, slot=i + 1) for i, bore in enumerate(bores))
    the_shop = shop(
        machines=(machine(nozzle_slots=len(bores)),),
        nozzles=mounted,
        materials=(chopped_fibre(), plain()),
        spools=(spool("pla", "m1", remaining_g=5000.0), spool("pa-cf", remaining_g=5000.0)),
    )
    chosen = Router(the_shop).route([spec])[0].chosen
    assert chosen is not None
    return chosen.bore_mm


def many_details(finest_mm: float, coarsest_mm: float, share: float = 0.08) -> DetailCurves:
    """Details of every width from the finest to the coarsest, lost one after the other."""
    span = coarsest_mm - finest_mm
    loss = tuple(share * min(1.0, max(0.0, (w - finest_mm) / span)) for w in WIDTHS)
    none = (0.0,) * len(WIDTHS)
    return DetailCurves(bead_width_mm=WIDTHS, feature_loss=loss, corner_loss=none, feature_gain=none, corner_gain=none)


def test_detail_falls_and_holes_tighten_from_04_to_06() -> None:
    part = job(summary=block(curves=many_details(0.35, 1.2)), tolerances=(sliding_hole(),))
    found = by_bore(part, 0.4, 0.5, 0.6)
    assert found[0.4].scores.detail > found[0.5].scores.detail > found[0.6].scores.detail
    assert found[0.4].fits[0].mean_mm > found[0.5].fits[0].mean_mm > found[0.6].fits[0].mean_mm


@pytest.mark.parametrize("pin_mm", [3.7, 4.0, 5.0, 6.0, 6.7])
def test_a_loose_sliding_fit_holds_at_04_and_05_and_fails_at_06(pin_mm: float) -> None:
    found = by_bore(job(tolerances=(sliding_hole(pin_mm),)), 0.4, 0.5, 0.6)
    assert found[0.4].scores.fit >= 0.9
    assert found[0.5].scores.fit >= 0.9
    assert found[0.6].scores.fit < 0.5


def test_chopped_fibre_mostly_prints_at_04_and_all_but_never_clogs_at_05() -> None:
    hundred_cm3 = job(material="pa-cf", summary=block(50, 50, 40), infill=1.0)
    found = by_bore(hundred_cm3, 0.4, 0.5, 0.6)
    assert 0.02 <= found[0.4].clog_risk <= 0.10
    assert found[0.5].clog_risk < 0.01
    assert found[0.6].clog_risk < 0.01


def test_unfilled_filament_clogs_rarely_from_03() -> None:
    hundred_cm3 = job(summary=block(50, 50, 40), infill=1.0)
    for bore, candidate in by_bore(hundred_cm3, 0.3, 0.4, 0.5, 0.6).items():
        assert candidate.clog_risk < 0.01, bore


def test_the_wide_bore_saves_little_once_the_melt_sets_the_pace() -> None:
    large = job(summary=block(150, 150, 60), infill=0.3)
    found = by_bore(large, 0.5, 0.6, flow=15.0)
    saved = 1.0 - found[0.6].print_h / found[0.5].print_h
    assert saved < 0.10


def test_the_wide_bore_does_save_where_the_hotend_melts_enough() -> None:
    large = job(summary=block(150, 150, 60), infill=0.3)
    found = by_bore(large, 0.5, 0.6, flow=60.0)
    assert 1.0 - found[0.6].print_h / found[0.5].print_h > 0.10


def test_unfilled_fine_detail_goes_to_04_or_below() -> None:
    tag = job(summary=block(60, 20, 2, curves=many_details(0.3, 0.9)))
    assert choice(tag, 0.25, 0.4, 0.5, 0.6, 0.8) <= 0.4


def test_large_fibre_filled_functional_parts_go_to_05() -> None:
    bracket = job(
        material="pa-cf",
        summary=block(120, 80, 40),
        tolerances=(sliding_hole(5.0), sliding_hole(6.0)),
        use=Use(load_bearing=True),
        infill=0.4,
    )
    assert choice(bracket, 0.4, 0.5, 0.6) == 0.5


def test_parts_whose_details_are_wider_than_every_bead_lose_none() -> None:
    coarse = job(summary=block(curves=many_details(1.3, 1.9)))
    scores = [c.scores.detail for c in by_bore(coarse, 0.25, 0.4, 0.6, 0.8).values()]
    assert max(scores) - min(scores) < 0.01


def test_when_only_hours_count_the_wide_bore_wins_a_coarse_part() -> None:
    coarse = job(summary=block(150, 150, 60), emphasis=Emphasis(detail=0, fit=0, clog=0, time=1))
    assert choice(coarse, 0.25, 0.4, 0.8) == 0.8


def test_a_step_in_detail_at_045_keeps_04_and_loses_05() -> None:
    lettered = job(summary=block(curves=curves(0.45)))
    assert choice(lettered, 0.4, 0.5, 0.6) == 0.4

"""Outcomes for the tests of what is learnt."""

from __future__ import annotations

from typing import Any

from tests.builders import job, shop, sliding_hole
from workers.learning.intake import outcome_of
from workers.model.evidence import EvidenceKey
from workers.model.job import JobSpec
from workers.model.outcome import Expected, MeasuredSize, Outcome, Report
from workers.model.part import Axis, FeatureKind
from workers.model.routing import Candidate
from workers.model.shop import Shop
from workers.routing.decide import Router

HOLE = (FeatureKind.HOLE, Axis.VERTICAL)


def key(machine_id: str = "m1", nozzle_id: str = "n04", material_id: str = "pla", bore_um: int = 400) -> EvidenceKey:
    return EvidenceKey(machine_id=machine_id, nozzle_id=nozzle_id, material_id=material_id, bore_um=bore_um)


def hole(error_mm: float = 0.0, **changes: Any) -> MeasuredSize:
    """A 5.3 mm hole, expected at 5.21 mm give or take 0.025."""
    values: dict[str, Any] = {
        "name": "guide hole",
        "kind": FeatureKind.HOLE,
        "axis": Axis.VERTICAL,
        "nominal_mm": 5.3,
        "measured_mm": 5.21 + error_mm,
        "lower_mm": 5.1,
        "upper_mm": 5.5,
        "prior_mean_mm": 5.21,
        "prior_scale_mm": 0.025,
        "expected_mean_mm": 5.21,
        "expected_scale_mm": 0.025,
        "expected_dof": 4.0,
        "expected_probability": 0.98,
    }
    return MeasuredSize(**(values | changes))


def expected(**changes: Any) -> Expected:
    """Two hours and 20 cm^3."""
    values: dict[str, Any] = {
        "print_h": 2.0,
        "print_ln_scale": 0.15,
        "print_dof": 4.0,
        "prior_print_h": 2.0,
        "volume_cm3": 20.0,
        "clog_risk": 0.01,
        "prior_clog_per_cm3": 5e-4,
        "good_share": 0.95,
    }
    return Expected(**(values | changes))


def outcome(number: int = 1, **changes: Any) -> Outcome:
    values: dict[str, Any] = {
        "job_id": f"job-{number}",
        "at": float(number),
        "machine_id": "m1",
        "nozzle_id": "n04",
        "material_id": "pla",
        "bore_mm": 0.4,
        "bead_width_mm": 0.44,
        "layer_height_mm": 0.2,
        "accepted": True,
        "print_h": 2.1,
        "extruded_cm3": 20.0,
        "sizes": (hole(0.01),),
        "expected": expected(),
    }
    return Outcome(id=f"outcome-{number:03}", **(values | changes))


def routed(the_shop: Shop | None = None) -> tuple[JobSpec, Candidate]:
    """A job with a sliding hole, and where it was routed to."""
    spec = job(tolerances=(sliding_hole(),))
    chosen = Router(the_shop or shop()).route([spec])[0].chosen
    assert chosen is not None
    return spec, chosen


def printed(spec: JobSpec, candidate: Candidate, number: int = 1, **report: Any) -> Outcome:
    """What came of one copy of a routed job."""
    said = Report(**({"accepted": True} | report))
    return outcome_of(said, spec, candidate, outcome_id=f"o-{number:03}", job_id="job", at=float(number))

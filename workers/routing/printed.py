"""What was printed, found in a routing; or what the models say of a print that no routing spoke of."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from workers.learning.pooling import Book
from workers.model.fleet import Machine, Material, Nozzle
from workers.model.job import ToleranceNeed
from workers.model.outcome import MeasuredSize
from workers.model.part import Axis, FeatureKind
from workers.model.routing import Candidate, Routing
from workers.model.shop import Shop, find
from workers.process import fit
from workers.process.limits import limits_of
from workers.routing.belief import beliefs_of
from workers.routing.pairing import Pairing, pairings_of

SAME_BEAD_MM = 5e-4  # what people round beads to


@dataclass(frozen=True, slots=True, kw_only=True)
class Printed:
    """Where and how a copy was printed; None: not said."""

    machine_id: str | None = None
    nozzle_id: str | None = None
    material_id: str | None = None
    bead_width_mm: float | None = None
    layer_height_mm: float | None = None

    def is_whole(self) -> bool:
        return None not in (
            self.machine_id,
            self.nozzle_id,
            self.material_id,
            self.bead_width_mm,
            self.layer_height_mm,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class FreeSize:
    """A measured size that no job asked for. limits None: it was not toleranced; facets None: a true round."""

    name: str
    kind: FeatureKind
    nominal_mm: float
    measured_mm: float
    axis: Axis = Axis.VERTICAL
    facets: int | None = None
    lower_mm: float | None = None
    upper_mm: float | None = None


def candidate_printed(routing: Routing, printed: Printed) -> Candidate | None:
    """The first candidate of the routing, the chosen one before the others, that agrees with all that was said."""
    candidates = (() if routing.chosen is None else (routing.chosen,)) + routing.others
    return next((one for one in candidates if _agrees(one, printed)), None)


def free_size(need: ToleranceNeed, measured_mm: float) -> FreeSize:
    limits = limits_of(need)
    return FreeSize(
        name=need.name,
        kind=need.kind,
        nominal_mm=need.nominal_mm,
        measured_mm=measured_mm,
        axis=need.axis,
        facets=need.facets,
        lower_mm=limits.lower_mm,
        upper_mm=limits.upper_mm,
    )


def pairing_named(shop: Shop, machine_id: str, nozzle_id: str, material_id: str, now: float | None = None) -> Pairing:
    """The pairing as if the nozzle were mounted. Raises NotFoundError where one of the three is not in the shop."""
    machine = find(shop, Machine, machine_id)
    nozzle = replace(find(shop, Nozzle, nozzle_id), machine_id=machine.id)
    find(shop, Material, material_id)
    return pairings_of(replace(shop, machines=(machine,)), {material_id}, (nozzle,), now)[0]


def foreseen_sizes(
    shop: Shop, pairing: Pairing, bead_width_mm: float, sizes: Sequence[FreeSize]
) -> tuple[MeasuredSize, ...]:
    """The sizes with what the models would have said of them on this pairing and bead."""
    if not sizes:
        return ()
    said = fit.predict(
        np.array([fit.KIND_CODES[one.kind] for one in sizes], dtype=np.intp),
        np.array([fit.AXIS_CODES[one.axis] for one in sizes], dtype=np.intp),
        np.array([one.nominal_mm for one in sizes]),
        np.array([one.facets or 0 for one in sizes], dtype=np.float64),
        _fit_class(shop, pairing, bead_width_mm),
    )
    low, high = (np.array([_or_nan(getattr(one, name)) for one in sizes]) for name in ("lower_mm", "upper_mm"))
    chance, before = fit.conformance(said, low, high)[:, 0].tolist(), fit.prior_scale(said.prior_variance)
    return tuple(
        MeasuredSize(
            name=one.name,
            kind=one.kind,
            axis=one.axis,
            nominal_mm=one.nominal_mm,
            measured_mm=one.measured_mm,
            lower_mm=one.lower_mm,
            upper_mm=one.upper_mm,
            prior_mean_mm=float(said.prior_mean[i, 0]),
            prior_scale_mm=float(before[i, 0]),
            expected_mean_mm=float(said.mean[i, 0]),
            expected_scale_mm=float(said.scale[i, 0]),
            expected_dof=float(said.dof[i, 0]),
            expected_probability=None if math.isnan(chance[i]) else chance[i],
        )
        for i, one in enumerate(sizes)
    )


def _agrees(candidate: Candidate, printed: Printed) -> bool:
    for name in ("machine_id", "nozzle_id", "material_id"):
        if getattr(printed, name) not in (None, getattr(candidate, name)):
            return False
    for name in ("bead_width_mm", "layer_height_mm"):
        said = getattr(printed, name)
        if said is not None and abs(said - getattr(candidate, name)) > SAME_BEAD_MM:
            return False
    return True


def _fit_class(shop: Shop, pairing: Pairing, bead_width_mm: float) -> fit.FitParameters:
    nothing = np.array([math.nan])
    return fit.FitParameters(
        bore_mm=np.array([pairing.worn_bore_mm]),
        bead_width_mm=np.array([bead_width_mm]),
        shrinkage_percent=np.array([pairing.material.shrinkage_percent]),
        hole_allowance_mm=nothing,
        boss_allowance_mm=nothing,
        size_sd_mm=nothing,
        measured=np.zeros(1),
        learnt=beliefs_of((pairing,), Book(shop.evidence)).learnt,
    )


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value

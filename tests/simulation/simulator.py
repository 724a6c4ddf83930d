"""A shop whose machines, nozzles and materials behave as they do, and do not say how.

The hidden truth of each pairing is a shift of its sizes, a factor on its hours, a clog rate and a share of sound
prints. They scatter as the models' priors say they may, but clog rates come from another family of distributions
(log-normal), and the spread of the sizes differs from pairing to pairing.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tests.builders import block, chopped_fibre, curves, machine, nozzle, plain, shop, spool
from workers.learning.evidence import GammaBelief, NormalBelief
from workers.learning.intake import Change, admit, confirm, outcome_of
from workers.learning.pooling import Book
from workers.model.evidence import merged
from workers.model.fleet import Hotend
from workers.model.job import Emphasis, JobSpec, Limits, MaterialNeed, ToleranceNeed
from workers.model.outcome import OutcomeState, Report, ScrapReason
from workers.model.part import FeatureKind
from workers.model.routing import Candidate
from workers.model.shop import Shop
from workers.process.allowance import AXES, INSIDE, ROWS, Learnt
from workers.routing.belief import beliefs_of
from workers.routing.decide import Router, rank
from workers.routing.pairing import Pairing, pairings_of
from workers.routing.score import ScoreBlock, score
from workers.routing.table import PairingTable, table_of

BORES = (0.4, 0.5, 0.6)
MATERIALS = ("pa-cf", "pla")
CERTAIN = 1e12

# The truth scatters as the priors say: machines more than bores and materials, those more than prints.
SIZE_SD_MM = 0.0112  # one print to the next
SIZE_GROUP_SD_MM, SIZE_PAIRING_SD_MM = SIZE_SD_MM, SIZE_SD_MM * math.sqrt(3.0)
TIME_SD, TIME_GROUP_SD, TIME_PAIRING_SD = 0.05, 0.07, 0.12
CLOG_GROUP_LN_SD = CLOG_PAIRING_LN_SD = 0.8


@dataclass(frozen=True)
class Truth:
    """What one pairing really does."""

    inside_mm: float
    outside_mm: float
    size_sd_mm: float
    ln_time: float
    clog_factor: float
    sound: float


class Simulator:
    """Prints jobs on a shop with a hidden truth; the shop learns as it goes."""

    def __init__(self, seed: int, machines: int = 4) -> None:
        self.random = random.Random(seed)
        self.shop = _shop(machines)
        self.pairings = pairings_of(self.shop, set(MATERIALS), self.shop.nozzles, None)
        groups: dict[tuple[float, str], Truth] = {}
        self.truth = {pairing.key: self._truth(pairing, groups) for pairing in self.pairings}
        self.changes: list[Change] = []

    def router(self) -> Router:
        return Router(self.shop)

    def run(self, outcomes: int) -> None:
        """Route, print, measure and learn, one job at a time."""
        for _ in range(outcomes):
            self.print_one(self.job())

    def job(self) -> JobSpec:
        """A part with details that a wide bead loses, and a hole and a boss that not every pairing holds."""
        side, height = self.random.uniform(30, 90), self.random.uniform(10, 50)
        emphasis = self.random.choice((Emphasis(), Emphasis(detail=0.1, fit=0.6, clog=0.15, time=0.15)))
        return JobSpec(
            name="part",
            summary=block(side, side, height, curves=curves(self.random.choice((0.45, 0.7, 1.5)), share=0.003)),
            material=MaterialNeed(material_ids=self.random.choice((("pla",), ("pa-cf",), MATERIALS))),
            tolerances=(self._toleranced(FeatureKind.HOLE, -0.08), self._toleranced(FeatureKind.BOSS, 0.0)),
            emphasis=emphasis,
            infill=self.random.choice((0.2, 0.4, 1.0)),
        )

    def _toleranced(self, kind: FeatureKind, middle_mm: float) -> ToleranceNeed:
        """A size about as wide as the best pairings scatter, its middle where a preparer would put it."""
        nominal, half = round(self.random.uniform(5, 14), 2), self.random.uniform(0.04, 0.08)
        limits = Limits(lower_mm=nominal + middle_mm - half, upper_mm=nominal + middle_mm + half)
        return ToleranceNeed(name=f"{kind} {nominal}", kind=kind, nominal_mm=nominal, limits=limits)

    def print_one(self, spec: JobSpec) -> None:
        candidate = self.router().route([spec])[0].chosen
        assert candidate is not None
        number = len(self.changes)
        outcome = outcome_of(
            self.report(spec, candidate), spec, candidate, outcome_id=f"o{number:04}", job_id="j", at=float(number)
        )
        change = admit(outcome)
        if change.outcome.state is OutcomeState.FLAGGED:
            change = confirm(change.outcome)  # measured again: it was right
        self.changes.append(change)
        evidence = merged(self.shop.evidence, change.deltas)
        self.shop = replace(self.shop, evidence=evidence, revision=self.shop.revision + 1)

    def report(self, spec: JobSpec, candidate: Candidate) -> Report:
        truth = self.truth_of(candidate)
        volume, rate = candidate.volume_cm3, truth.clog_factor * candidate.grounds.prior_clog_per_cm3
        clog_at = self.random.expovariate(rate)
        if clog_at < volume:
            return Report(accepted=False, scrap_reason=ScrapReason.CLOG, clogs=1, extruded_cm3=clog_at)
        if self.random.random() > truth.sound:
            return Report(accepted=False, scrap_reason=ScrapReason.CAME_LOOSE, extruded_cm3=volume / 2)
        sizes = tuple(
            (fit.name, self._measured(truth, need, fit.prior_mean_mm or 0.0))
            for need, fit in zip(spec.tolerances, candidate.fits, strict=True)
        )
        good = all(f.lower_mm <= size <= f.upper_mm for f, (_, size) in zip(candidate.fits, sizes, strict=True))
        hours = candidate.print_h / candidate.grounds.time_factor * math.exp(self.random.gauss(truth.ln_time, TIME_SD))
        return Report(accepted=good, scrap_reason=None if good else ScrapReason.SIZE, print_h=hours, sizes=sizes)

    def truth_of(self, candidate: Candidate) -> Truth:
        (found,) = [
            self.truth[p.key]
            for p in self.pairings
            if (p.machine.id, p.nozzle.id, p.material.id)
            == (candidate.machine_id, candidate.nozzle_id, candidate.material_id)
        ]
        return found

    def _measured(self, truth: Truth, need: ToleranceNeed, prior_mean_mm: float) -> float:
        shift = truth.inside_mm if need.kind is FeatureKind.HOLE else truth.outside_mm
        return prior_mean_mm + self.random.gauss(shift, truth.size_sd_mm)

    def _truth(self, pairing: Pairing, groups: dict[tuple[float, str], Truth]) -> Truth:
        gauss = self.random.gauss
        group = groups.setdefault(
            (pairing.nozzle.bore_mm, pairing.material.id),
            Truth(
                gauss(0.0, SIZE_GROUP_SD_MM),
                gauss(0.0, SIZE_GROUP_SD_MM),
                SIZE_SD_MM,
                gauss(0.0, TIME_GROUP_SD),
                self.random.lognormvariate(0.0, CLOG_GROUP_LN_SD),
                0.98,
            ),
        )
        return Truth(
            group.inside_mm + gauss(0.0, SIZE_PAIRING_SD_MM),
            group.outside_mm + gauss(0.0, SIZE_PAIRING_SD_MM),
            SIZE_SD_MM * self.random.uniform(0.7, 1.3),
            group.ln_time + gauss(0.0, TIME_PAIRING_SD),
            group.clog_factor * self.random.lognormvariate(0.0, CLOG_PAIRING_LN_SD),
            self.random.uniform(0.95, 1.0),
        )


class AllKnowing:
    """Scores jobs on the shop's physics with the hidden truth in the place of beliefs."""

    def __init__(self, simulator: Simulator) -> None:
        self._simulator, self._tables = simulator, {}

    def block(self, spec: JobSpec) -> ScoreBlock:
        ids = spec.material.material_ids
        if ids not in self._tables:
            self._tables[ids] = self._table(set(ids))
        return score(self._tables[ids], [spec], self._simulator.shop.emphasis)

    def _table(self, material_ids: set[str]) -> PairingTable:
        shop = self._simulator.shop
        pairings = pairings_of(shop, material_ids, shop.nozzles, None)
        truths = [self._simulator.truth[pairing.key] for pairing in pairings]
        prior = beliefs_of(pairings, Book())
        ln_time = np.array([truth.ln_time for truth in truths])
        rates = prior.clog.mean() * np.array([truth.clog_factor for truth in truths])
        sure = np.full(len(truths), CERTAIN)
        known = replace(
            prior,
            clog=GammaBelief(rates * CERTAIN, sure),
            ln_time=NormalBelief(ln_time, sure, sure, np.full(len(truths), TIME_SD**2)),
            time_factor=np.exp(ln_time),
            learnt=_sizes(truths),
        )
        return table_of(shop, pairings, known)


def _sizes(truths: Sequence[Truth]) -> Learnt:
    inside = np.repeat(INSIDE, len(AXES))[:, None]
    shift = np.where(inside, [t.inside_mm for t in truths], [t.outside_mm for t in truths])
    full = np.ones((ROWS, len(truths)))
    return Learnt(shift, full * CERTAIN, full * CERTAIN, full * 0.0, full * [t.size_sd_mm**2 for t in truths])


def regret(simulator: Simulator, specs: Sequence[JobSpec]) -> float:
    """Mean share of the best achievable score (weighted geometric mean of the four) that the routings give away."""
    knowing, router, lost = AllKnowing(simulator), simulator.router(), []
    for spec in specs:
        seen = router.looked_at(spec)
        assert seen is not None
        truth = knowing.block(spec).utility[0].ravel()
        best = truth[rank(knowing.block(spec)).chosen[0]]
        lost.append(1.0 - math.exp(truth[seen[1].chosen[0]] - best))
    return sum(lost) / len(lost)


def _shop(machines: int) -> Shop:
    fleet = tuple(
        machine(f"m{i}", hotend=Hotend(fitting="short", flow_ceiling_mm3_s=12.0 + i, nozzle_temp_max_c=300.0))
        for i in range(machines)
    )
    nozzles = tuple(
        nozzle(f"n{i}-{slot}", BORES[(i + slot) % len(BORES)], f"m{i}", slot=slot)
        for i in range(machines)
        for slot in (1, 2)
    )
    return shop(
        machines=fleet,
        nozzles=nozzles,
        materials=(chopped_fibre(), plain()),
        spools=(spool("pla", remaining_g=5000.0), spool("pa-cf", remaining_g=5000.0)),
    )

"""Value of information: which one measurement would most likely change a routing, and what it would bring.

Preposterior analysis (Raiffa & Schlaifer 1961, Applied Statistical Decision Theory, from memory): for each listed
candidate and each kind of measurement, the posteriors that the measurement may lead to are laid on nodes; where one
of them would make another candidate the best, the difference in utility counts, weighted by its chance. Sizes,
times and clogs are taken as independent, and nothing is learnt about other candidates.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from workers.learning.arrays import Array, floats
from workers.learning.evidence import NormalBelief, chance_of_event
from workers.learning.nodes import NODES, mean_nodes, student_nodes
from workers.model.job import JobSpec
from workers.model.routing import InformationValue, Measure
from workers.process.fit import CHANCE_MIN
from workers.process.student import student_cdf
from workers.routing.decide import Ranking, Router
from workers.routing.score import ScoreBlock

GAUGE_SIZES = 8  # engineering prior: holes, and bosses, of one gauge piece
MOST = 6  # measurements said
_NOTHING = 1e-9  # gains below this are rounding


@dataclass(frozen=True, slots=True)
class _Teaching:
    """How many observations of each kind a measurement brings."""

    measure: Measure
    sizes: int
    times: int
    clogs: bool


def value_of_information(router: Router, spec: JobSpec) -> tuple[InformationValue, ...]:
    """What is worth measuring for this job, most valuable first; empty where nothing would change the choice."""
    seen = router.looked_at(spec)
    if seen is None or seen[1].count[0] < 2:
        return ()
    block, ranking = seen
    found = (
        _value(block, ranking, slot, teaching)
        for slot in range(int(ranking.count[0]))
        for teaching in _teachings(block, int(ranking.places[0, slot]))
    )
    worth = sorted((one for one in found if one.gain > _NOTHING), key=lambda one: -one.gain)
    return tuple(worth[:MOST])


def _teachings(block: ScoreBlock, place: int) -> Iterator[_Teaching]:
    p, b = divmod(place, block.table.shape[1])
    # The flow ceiling that a gauge piece finds tells the hours only where it sets the pace.
    yield _Teaching(Measure.GAUGE_PIECE, GAUGE_SIZES, int(block.table.motion.flow_limited[p, b]), clogs=False)
    yield _Teaching(Measure.MEASURED_PRINT, 1, 1, clogs=True)


def _value(block: ScoreBlock, ranking: Ranking, slot: int, teaching: _Teaching) -> InformationValue:
    place = int(ranking.places[0, slot])
    utility = block.utility[0].ravel()
    best_other = float(utility[ranking.places[0, 1 if slot == 0 else 0]])
    after, chance = _utilities_after(block, place, teaching)
    gain = np.maximum(best_other - after if slot == 0 else after - best_other, 0.0)
    pairing = block.table.pairings[place // block.table.shape[1]]
    return InformationValue(
        measure=teaching.measure,
        machine_id=pairing.machine.id,
        nozzle_id=pairing.nozzle.id,
        material_id=pairing.material.id,
        gain=float((gain * chance).sum()),
        chance_of_change=float(chance[gain > 0.0].sum()),
    )


def _utilities_after(block: ScoreBlock, place: int, teaching: _Teaching) -> tuple[Array, Array]:
    """Utilities that the candidate may come to, and their chances (they sum to 1): every combination of nodes."""
    p, b = divmod(place, block.table.shape[1])
    _, of_fit, of_clog, of_time = block.weights[0].tolist()
    fit = of_fit * _fit_changes(block, p, b, teaching.sizes)
    time = -of_time * _time_changes(block, p, teaching.times)
    clog, clog_chance = _clog_changes(block, p, teaching)
    change = fit[:, None, None] + time[None, :, None] + of_clog * clog[None, None, :]
    chance = np.broadcast_to(clog_chance / (NODES * NODES), change.shape)
    return floats(block.utility[0, p, b] + change).ravel(), floats(chance).ravel()


def _fit_changes(block: ScoreBlock, p: int, b: int, n: int) -> Array:
    """How ln of the fit score may change (NODES,) after ``n`` sizes of each kind have been measured."""
    found, c = block.fit_block, int(block.table.fit_class_of[p, b])
    if found is None or n == 0:
        return np.zeros(NODES)
    size = found.prediction
    mean, weight, dof = size.mean[:, c, None], size.weight[:, c, None], size.dof[:, c]
    variance = size.scale[:, c, None] ** 2 / (1.0 + 1.0 / weight)
    moved = student_nodes(int(dof.max()))[dof.astype(np.intp)] * _shift_scale(variance, weight, n)
    scale = np.sqrt(variance * (1.0 + 1.0 / (weight + n)))
    of_dof = np.broadcast_to(dof[:, None], moved.shape)
    over = student_cdf((found.upper_mm[:, None] - mean - moved) / scale, of_dof)
    under = student_cdf((found.lower_mm[:, None] - mean - moved) / scale, of_dof)
    after = np.log(np.clip(over - under, CHANCE_MIN, 1.0)).sum(axis=0)
    return floats(after - block.ln.fit[0, c])


def _time_changes(block: ScoreBlock, p: int, n: int) -> Array:
    """How ln of the hours may change (NODES,) after ``n`` timed prints."""
    if n == 0:
        return np.zeros(NODES)
    belief = block.table.beliefs.ln_time
    one = NormalBelief(*(part[p : p + 1] for part in (belief.mean, belief.weight, belief.dof, belief.variance)))
    return floats(mean_nodes(one)[0] * np.sqrt(n / (one.weight[0] + n)))


def _shift_scale(variance: Array, weight: Array, n: int) -> Array:
    """Scale of the shift that n observations will give the mean: what they take from its variance."""
    return np.sqrt(variance * (1.0 / weight - 1.0 / (weight + n)))


def _clog_changes(block: ScoreBlock, p: int, teaching: _Teaching) -> tuple[Array, Array]:
    """How ln of the clog score may change (2,): no clog in the print, or one; and the chances of the two."""
    if not teaching.clogs:
        return np.zeros(2), np.array([1.0, 0.0])
    a, b, volume = block.table.clog_a[p], block.table.clog_b[p], float(block.volume_mm3[0, p]) / 1000.0
    after = np.log1p(-chance_of_event(a + np.array([0.0, 1.0]), b + volume, volume))
    risk = float(block.risk[0, p])
    return floats(after - block.ln.clog[0, p]), np.array([1.0 - risk, risk])

"""What is believed of each pairing, as arrays: priors, drawn to calibrations and outcomes."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from workers.learning.arrays import Array
from workers.learning.evidence import GammaBelief, NormalBelief, predictive
from workers.learning.pooling import Book, clog_belief, sound_share, time_belief
from workers.model.routing import Grounds
from workers.process import clog, fit, flow
from workers.process.allowance import Learnt, learnt_sizes
from workers.routing.pairing import Pairing


@dataclass(frozen=True, slots=True, kw_only=True)
class Beliefs:
    """Arrays over pairings (P,); learnt (R, P). ln_time: of ln(hours / physics); grounds: as routings say it."""

    flow: flow.FlowCeiling
    clog: GammaBelief
    ln_time: NormalBelief
    time_factor: Array
    sound: Array
    learnt: Learnt
    grounds: tuple[Grounds, ...]


def beliefs_of(pairings: Sequence[Pairing], book: Book) -> Beliefs:
    keys = [pairing.key for pairing in pairings]
    rates = _clog_rates(pairings)
    clogs = clog_belief(book, keys, clog.prior_belief(rates))
    ln_time = time_belief(book, keys)
    factor, sound = np.exp(ln_time.mean), sound_share(book, keys)
    return Beliefs(
        flow=_flow_ceiling(pairings),
        clog=clogs,
        ln_time=ln_time,
        time_factor=factor,
        sound=sound,
        learnt=learnt_sizes(fit.surprise(_calibrated_sizes(pairings)), book, keys),
        grounds=_grounds(pairings, book, rates, clogs, ln_time, sound),
    )


def _grounds(
    pairings: Sequence[Pairing], book: Book, rates: Array, clogs: GammaBelief, ln_time: NormalBelief, sound: Array
) -> tuple[Grounds, ...]:
    sizes = book.sizes_by_pairing()
    rate, spread = clogs.mean(), predictive(ln_time)
    found = []
    for i, pairing in enumerate(pairings):
        sums, calibrated = book.of(pairing.key), pairing.calibration is not None
        found.append(
            Grounds(
                prints=sums.prints,
                sizes=sizes.get(pairing.key, 0),
                timed=sums.timed,
                volume_cm3=sums.volume_ul / 1000.0,
                calibration_weight=pairing.standing.weight if calibrated else 0.0,
                calibration_age_d=pairing.standing.age_d if calibrated else None,
                time_factor=math.exp(ln_time.mean[i]),
                time_ln_scale=float(spread.scale[i]),
                time_dof=float(spread.dof[i]),
                clog_per_cm3=float(rate[i]),
                prior_clog_per_cm3=float(rates[i]),
                sound_share=float(sound[i]),
            )
        )
    return tuple(found)


def column(pairings: Sequence[Pairing], value: Callable[[Pairing], float | None]) -> Array:
    """A figure of each pairing (P,); nan for None."""
    found = (value(pairing) for pairing in pairings)
    return np.array([math.nan if one is None else one for one in found], dtype=np.float64)


def _flow_ceiling(pairings: Sequence[Pairing]) -> flow.FlowCeiling:
    return flow.flow_ceiling(
        hotend_flow_mm3_s=column(pairings, lambda p: p.machine.hotend.flow_ceiling_mm3_s),
        melt_factor=column(pairings, lambda p: p.material.melt_factor),
        bore_mm=column(pairings, lambda p: p.worn_bore_mm),
        land_mm=column(pairings, lambda p: p.nozzle.land_mm),
        push_force_n=column(pairings, lambda p: p.machine.hotend.push_force_n),
        filament_mm=column(pairings, lambda p: p.machine.hotend.filament_mm),
        power_law_n=column(pairings, lambda p: p.material.power_law_n),
        consistency_pa_s_n=column(pairings, lambda p: p.material.consistency_pa_s_n),
        calibrated_mm3_s=column(pairings, lambda p: p.calibration.flow_ceiling_mm3_s if p.calibration else None),
        calibrated_weight=column(pairings, lambda p: p.standing.weight),
    )


def _clog_rates(pairings: Sequence[Pairing]) -> Array:
    return clog.rate_per_cm3(
        column(pairings, lambda p: clog.effective_bore(p.nozzle.bore_mm, p.nozzle.tip, p.nozzle.abrasive_cm3)),
        column(pairings, lambda p: p.material.filler.length_p95_um),
        clog.filler_volume_fraction_of_compound(
            column(pairings, lambda p: p.material.filler.weight_fraction),
            column(pairings, lambda p: p.material.filler.density_g_cm3),
            column(pairings, lambda p: p.material.density_g_cm3),
        ),
        scale=column(pairings, lambda p: p.clog_factor),
    )


def _calibrated_sizes(pairings: Sequence[Pairing]) -> fit.FitParameters:
    """The calibrations (P,); a pairing without one has nan allowances."""

    def measured(name: str) -> Array:
        return column(pairings, lambda p: getattr(p.calibration, name, None))

    bore = column(pairings, lambda p: p.worn_bore_mm)
    return fit.FitParameters(
        bore_mm=bore,
        bead_width_mm=bore,
        shrinkage_percent=column(pairings, lambda p: p.material.shrinkage_percent),
        hole_allowance_mm=measured("hole_allowance_mm"),
        boss_allowance_mm=measured("boss_allowance_mm"),
        size_sd_mm=measured("size_sd_mm"),
        measured=np.nan_to_num(measured("measured")),
        calibrated_width_mm=measured("bead_width_mm"),
        trust=column(pairings, lambda p: p.standing.weight),
    )

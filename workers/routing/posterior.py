"""What the evidence of one key says, in units of the trade: as it was observed, and as it is believed with the prior,
the neighbours and the calibration in it. Intervals hold 90 %."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from scipy.special import gammaincinv, stdtrit

from workers.learning.pooling import Book, size_moments, time_moments
from workers.model.errors import NotFoundError
from workers.model.evidence import EvidenceKey, Sums
from workers.model.shop import Shop
from workers.process.fit import BORE_SPREAD, GAUGE_MM
from workers.routing.belief import Beliefs, beliefs_of
from workers.routing.pairing import Pairing
from workers.routing.printed import FreeSize, foreseen_sizes, pairing_named

LOW, HIGH = 0.05, 0.95
CM3_PER_LITRE = 1000.0  # unit (ours)


@dataclass(frozen=True, slots=True, kw_only=True)
class Observed:
    """The sums read. time_factor: hours over physics, geometric mean; size_shift_mm: measured minus prior, mean.

    None: nothing of the kind was observed.
    """

    clogs_per_litre: float | None
    scrap_share: float | None
    time_factor: float | None
    size_shift_mm: float | None
    size_sd_mm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintBelief:
    """Of a pairing as a whole. clogs_per_litre of filament; sound_share: no scrap but for clogs and sizes."""

    clogs_per_litre: float
    clogs_per_litre_low: float
    clogs_per_litre_high: float
    prior_clogs_per_litre: float
    time_factor: float
    time_factor_low: float
    time_factor_high: float
    sound_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeBelief:
    """Of the next size of the kind that is drawn ``nominal_mm`` and laid with a bead of ``bead_width_mm``."""

    nominal_mm: float
    bead_width_mm: float
    size_mm: float
    size_low_mm: float
    size_high_mm: float
    prior_size_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Posterior:
    """prints or size: the one that the key is about; both None where the machine, nozzle or material has gone."""

    observed: Observed
    prints: PrintBelief | None = None
    size: SizeBelief | None = None


def posterior_of(shop: Shop, key: EvidenceKey, sums: Sums, now: float | None = None) -> Posterior:
    """``now``: moment at which calibrations and spools are aged."""
    observed = observed_of(sums)
    try:
        pairing = pairing_named(shop, key.machine_id, key.nozzle_id, key.material_id, now)
    except NotFoundError:
        return Posterior(observed=observed)
    if pairing.key != replace(key, kind=None, axis=None):
        return Posterior(observed=observed)  # the nozzle of that name has another bore now
    if key.kind is not None and key.axis is not None:
        return Posterior(observed=observed, size=_size_belief(shop, pairing, key))
    return Posterior(observed=observed, prints=_print_belief(beliefs_of((pairing,), Book(shop.evidence))))


def observed_of(sums: Sums) -> Observed:
    time, size = time_moments(sums), size_moments(sums)
    return Observed(
        clogs_per_litre=sums.clogs / (sums.volume_ul * 1e-6) if sums.volume_ul else None,
        scrap_share=sums.scrapped / sums.prints if sums.prints else None,
        time_factor=math.exp(time.mean) if time.n else None,
        size_shift_mm=size.mean if size.n else None,
        size_sd_mm=math.sqrt(size.squares / (size.n - 1)) if size.n > 1 else None,
    )


def _print_belief(beliefs: Beliefs) -> PrintBelief:
    a, b = float(beliefs.clog.a[0]), float(beliefs.clog.b[0]) / CM3_PER_LITRE
    time = beliefs.ln_time
    mean, weight, dof = float(time.mean[0]), float(time.weight[0]), float(time.dof[0])
    half = float(stdtrit(dof, HIGH)) * math.sqrt(float(time.variance[0]) / weight)
    return PrintBelief(
        clogs_per_litre=a / b,
        clogs_per_litre_low=float(gammaincinv(a, LOW)) / b,
        clogs_per_litre_high=float(gammaincinv(a, HIGH)) / b,
        prior_clogs_per_litre=beliefs.grounds[0].prior_clog_per_cm3 * CM3_PER_LITRE,
        time_factor=math.exp(mean),
        time_factor_low=math.exp(mean - half),
        time_factor_high=math.exp(mean + half),
        sound_share=float(beliefs.sound[0]),
    )


def _size_belief(shop: Shop, pairing: Pairing, key: EvidenceKey) -> SizeBelief | None:
    if key.kind is None or key.axis is None:
        return None
    width = BORE_SPREAD * pairing.nozzle.bore_mm
    asked = FreeSize(name="", kind=key.kind, axis=key.axis, nominal_mm=GAUGE_MM, measured_mm=GAUGE_MM)
    [said] = foreseen_sizes(shop, pairing, width, [asked])
    mean, scale, dof = said.expected_mean_mm, said.expected_scale_mm, said.expected_dof
    if mean is None or scale is None or dof is None or said.prior_mean_mm is None:
        return None
    half = float(stdtrit(dof, HIGH)) * scale
    return SizeBelief(
        nominal_mm=GAUGE_MM,
        bead_width_mm=width,
        size_mm=mean,
        size_low_mm=mean - half,
        size_high_mm=mean + half,
        prior_size_mm=said.prior_mean_mm,
    )

"""What was learnt, pairing by pairing: rows of a table, a table for other programs, and two drawings. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from service.exports import csv_table
from service.pages.names import Names
from service.pages.part_form import AXIS_WORDS, KIND_WORDS
from service.pages.plots.intervals import Belief, IntervalPlot
from service.pages.plots.plot import isolated
from workers.model.evidence import Evidence, EvidenceKey
from workers.routing.posterior import Posterior

CLOGS = (
    "Dot and line: believed; square: observed, where there were clogs; upright stroke: the prior. "
    "A line that ends at the left edge goes on."
)
TIMES = "Dot and line: believed; square: observed; upright stroke: as the model says."
DRAWN = 20  # lines a drawing shows; the table holds all of the page
# Evidence is kept as whole numbers; these are the columns that other programs get of it.
COLUMNS = (
    "machine_id",
    "nozzle_id",
    "material_id",
    "bore_mm",
    "kind",
    "axis",
    "prints",
    "scrapped",
    "clogs",
    "volume_cm3",
    "clogs_per_litre_observed",
    "clogs_per_litre_believed",
    "clogs_per_litre_low",
    "clogs_per_litre_high",
    "clogs_per_litre_prior",
    "time_factor_observed",
    "time_factor_believed",
    "time_factor_low",
    "time_factor_high",
    "sizes",
    "size_shift_observed_mm",
    "size_sd_observed_mm",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceRow:
    """machine: its name; pairing: its, the nozzle's and the material's; size: what was measured, "" for the whole."""

    machine: str
    pairing: str
    size: str
    evidence: Evidence
    posterior: Posterior


def evidence_row(one: Evidence, posterior: Posterior, names: Names) -> EvidenceRow:
    key = one.key
    machine = names[key.machine_id]
    pairing = f"{machine}, {names[key.nozzle_id]}, {names[key.material_id]}"
    return EvidenceRow(machine=machine, pairing=pairing, size=_size(key), evidence=one, posterior=posterior)


def _size(key: EvidenceKey) -> str:
    return "" if key.kind is None or key.axis is None else f"{KIND_WORDS[key.kind]}, {AXIS_WORDS[key.axis]}"


def clog_plot(rows: Sequence[EvidenceRow]) -> IntervalPlot | None:
    """Clogs a litre, believed against prior and observed; None without a pairing to draw."""
    beliefs = [
        Belief(
            label=_short(row),
            low=said.clogs_per_litre_low,
            mid=said.clogs_per_litre,
            high=said.clogs_per_litre_high,
            prior=said.prior_clogs_per_litre,
            observed=row.posterior.observed.clogs_per_litre,
        )
        for row in rows
        if (said := row.posterior.prints) is not None
    ]
    return _plot("clogs", "Clogs a litre of filament", CLOGS, "clogs a litre", beliefs)


def time_plot(rows: Sequence[EvidenceRow]) -> IntervalPlot | None:
    """Hours over those of the time model; the prior is 1."""
    beliefs = [
        Belief(
            label=_short(row),
            low=said.time_factor_low,
            mid=said.time_factor,
            high=said.time_factor_high,
            prior=1.0,
            observed=row.posterior.observed.time_factor,
        )
        for row in rows
        if (said := row.posterior.prints) is not None
    ]
    return _plot("times", "Hours over those of the time model", TIMES, "hours printed / hours of the model", beliefs)


def _plot(key: str, title: str, words: str, unit: str, beliefs: Sequence[Belief]) -> IntervalPlot | None:
    if not beliefs:
        return None
    return IntervalPlot(key=key, title=title, words=words, unit=unit, beliefs=tuple(beliefs[:DRAWN]))


def _short(row: EvidenceRow) -> str:
    key = row.evidence.key
    return f"{isolated(row.machine)}, {key.bore_um / 1000:g} mm, {key.material_id}"


def as_csv(rows: Sequence[EvidenceRow]) -> bytes:
    """The table for other programs; empty cells where nothing is known."""
    return csv_table(COLUMNS, map(_cells, rows))


def _cells(row: EvidenceRow) -> list[object]:
    key, sums, seen, said = row.evidence.key, row.evidence.sums, row.posterior.observed, row.posterior.prints
    believed = (
        [None] * 4
        if said is None
        else [said.clogs_per_litre, said.clogs_per_litre_low, said.clogs_per_litre_high, said.prior_clogs_per_litre]
    )
    time = [None] * 3 if said is None else [said.time_factor, said.time_factor_low, said.time_factor_high]
    return [
        *(key.machine_id, key.nozzle_id, key.material_id, key.bore_um / 1000, key.kind or "", key.axis or ""),
        *(sums.prints, sums.scrapped, sums.clogs, sums.volume_ul / 1000, seen.clogs_per_litre),
        *believed,
        seen.time_factor,
        *time,
        *(sums.sized, seen.size_shift_mm, seen.size_sd_mm),
    ]

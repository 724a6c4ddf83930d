"""Figures of the shop's past: what each machine did in a window, and what came of each job."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineFigures:
    """One machine between two moments. The four kinds of hours add up to ``hours``.

    hours: of the window in which the machine was there. utilisation: printing_h over hours.
    nozzle_changes, material_changes: mountings and loadings recorded. accepted, scrapped, clogs, extruded_cm3: of the
    outcomes that were not withdrawn. scrap_share and clogs_per_litre are None where nothing was printed; *_low and
    *_high are their 90 % intervals.
    """

    machine_id: str
    name: str
    from_at: float
    until_at: float
    hours: float
    printing_h: float
    setup_h: float
    down_h: float
    idle_h: float
    utilisation: float | None
    nozzle_changes: int
    material_changes: int
    claims: int
    accepted: int
    scrapped: int
    scrap_share: float | None
    scrap_share_low: float | None
    scrap_share_high: float | None
    clogs: int
    extruded_cm3: float
    clogs_per_litre: float | None
    clogs_per_litre_low: float | None
    clogs_per_litre_high: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class JobRow:
    """One job in a report. print_h, material_g: foretold of one copy; late_h: hours past the due date, once ended.

    moves: how often it was moved to another place of a list or another machine.
    """

    job_id: str
    name: str
    state: str
    reason: str
    handed_in_at: float
    changed_at: float
    due_at: float | None
    late_h: float | None
    priority: int
    quantity: int
    accepted: int
    scrapped: int
    attempt: int
    moves: int
    machine_id: str | None
    nozzle_id: str | None
    material_id: str | None
    bore_mm: float | None
    bead_width_mm: float | None
    layer_height_mm: float | None
    print_h: float | None
    material_g: float | None

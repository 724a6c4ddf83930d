"""The job page's content: the routing as rows, panels and sentences. Pure; no HTTP, no Redis."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from service.pages.drawing import SHOWN, Panel, contribution_panel, score_panels
from service.pages.layer_view import LayerPanel, layer_panels
from service.pages.names import Names, names_of
from service.pages.plots.clog import ClogPlot, clog_plot
from service.pages.plots.fit import FitPlot, fit_plots
from service.pages.plots.parts import Part, PartsPlot, parts_plot
from service.pages.refusal_rows import RefusalRow, refusal_rows
from service.pages.wording import SCORE_WORDS, hours
from workers.model.job import JobSpec, JobState, ToleranceNeed
from workers.model.record import HistoryEntry, JobRecord
from workers.model.routing import Candidate, Explanation, Routing, TimeSplit
from workers.model.shop import Shop
from workers.store.jobs import CANCELLABLE, RETRIABLE

LABEL_MOST = 14  # letters of a machine's name in a drawing
WAITING = frozenset({JobState.ACCEPTED, JobState.ANALYSING})


@dataclass(frozen=True, slots=True)
class SplitPart:
    """Share of one copy's time that one limit sets."""

    key: str
    words: str
    hours: float
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class JobView:
    record: JobRecord
    names: Names
    waiting: bool
    can_cancel: bool
    can_retry: bool
    history: tuple[HistoryEntry, ...]
    asked: tuple[tuple[str, str], ...]
    routing: Routing | None = None
    explanation: Explanation | None = None
    candidates: tuple[Candidate, ...] = ()
    panels: tuple[Panel, ...] = ()
    lead: Panel | None = None
    split: tuple[SplitPart, ...] = ()
    pace: PartsPlot | None = None
    fits: tuple[FitPlot, ...] = ()
    clog: ClogPlot | None = None
    layers: tuple[LayerPanel, ...] = ()
    refused: tuple[RefusalRow, ...] = ()
    machines: Mapping[str, str] = field(default_factory=dict)


def job_view(
    record: JobRecord,
    shop: Shop,
    history: tuple[HistoryEntry, ...],
    routing: Routing | None,
    explanation: Explanation | None,
) -> JobView:
    """Everything the page shows. Names come from today's shop; a thing that has left it goes by its id."""
    names = names_of(shop)
    common = {
        "record": record,
        "names": names,
        "waiting": record.state in WAITING,
        "can_cancel": record.state in CANCELLABLE,
        "can_retry": record.state in RETRIABLE,
        "history": history,
        "asked": asked_for(record.spec, names),
    }
    if routing is None or explanation is None:
        return JobView(**common)  # type: ignore[arg-type]
    split = split_parts(routing.split) if routing.split else ()
    candidates = tuple(c for c in (routing.chosen, *routing.others) if c is not None)
    labels = [f"{i + 1}  {_short(names[c.machine_id])}, {c.bore_mm:g}" for i, c in enumerate(candidates[:SHOWN])]
    return JobView(
        **common,  # type: ignore[arg-type]
        routing=routing,
        explanation=explanation,
        candidates=candidates,
        panels=score_panels(candidates, labels, routing.emphasis, SCORE_WORDS) if candidates else (),
        lead=contribution_panel(explanation.contributions, SCORE_WORDS) if explanation.contributions else None,
        split=split,
        pace=pace_plot(split) if split else None,
        fits=fit_plots(candidates[0], candidates[1] if len(candidates) > 1 else None) if candidates else (),
        clog=clog_plot(candidates, labels, record.spec.quantity) if candidates else None,
        layers=layer_panels(record.spec.summary, candidates),
        refused=refusal_rows(routing.refused, names),
        machines={machine.id: machine.name for machine in shop.machines},
    )


def _short(name: str) -> str:
    """A machine's name as far as a drawing has room for it; the table beside each has all of it."""
    return name if len(name) <= LABEL_MOST else name[: LABEL_MOST - 1].rstrip() + "…"


def asked_for(spec: JobSpec, names: Names) -> tuple[tuple[str, str], ...]:
    """What was handed in, as (label, words)."""
    rows = [
        *_part_words(spec),
        ("Material", _material_words(spec, names)),
        ("Copies", str(spec.quantity)),
        ("Shells, infill", f"{spec.shells}, {spec.infill * 100:.0f} %"),
    ]
    rows += [(f"Size held: {need.name}", tolerance_words(need)) for need in spec.tolerances]
    rows += [(f"Size held: {one.name}", "as the part's feature of that name") for one in spec.open_tolerances]
    rows += [(f"Must be there: {one.name}", f"{one.kind.value} of {one.size_mm:g} mm") for one in spec.critical]
    if use := _use_words(spec):
        rows.append(("Use", use))
    if spec.priority:
        rows.append(("Priority", str(spec.priority)))
    if spec.note:
        rows.append(("Note", spec.note))
    return tuple(rows)


def _part_words(spec: JobSpec) -> list[tuple[str, str]]:
    if spec.summary is None:
        return [("Part", "its mesh is not analysed")]
    s = spec.part()
    sides = (f"{side:.6g}" for side in (s.extent_x_mm, s.extent_y_mm, s.extent_z_mm))
    rows = [("Size", " \N{MULTIPLICATION SIGN} ".join(sides) + " mm"), ("Volume", f"{s.volume_mm3 / 1000.0:.1f} cm³")]
    rows += [("Mesh, mended", "; ".join(s.mended))] if s.mended else []
    return rows + ([("Mesh, to check", "; ".join(s.notes))] if s.notes else [])


def _material_words(spec: JobSpec, names: Names) -> str:
    need = spec.material
    words = [" or ".join(names[i] for i in need.material_ids)] if need.material_ids else []
    if need.tensile_strength_min_mpa is not None:
        words.append(f"tensile strength from {need.tensile_strength_min_mpa:g} MPa")
    if need.heat_deflection_min_c is not None:
        words.append(f"heat deflection from {need.heat_deflection_min_c:g} °C")
    if need.flexible is not None:
        words.append("flexible" if need.flexible else "stiff")
    if need.fibre_filled is not None:
        words.append("fibre-filled" if need.fibre_filled else "without fibres")
    return "; ".join(words) or "any"


def tolerance_words(need: ToleranceNeed) -> str:
    """A toleranced size as one would write it on a drawing."""
    size = f"{need.kind.value}, {need.nominal_mm:g} mm"
    if need.limits is not None:
        return f"{size}, {need.limits.lower_mm:g} to {need.limits.upper_mm:g} mm"
    if need.iso286 is not None:
        return f"{size} {need.iso286} (ISO 286)"
    if need.iso2768 is not None:
        return f"{size}, ISO 2768-1 {need.iso2768}"
    if need.mating is not None:
        m = need.mating
        return f"{size}, on {m.mate_mm:g} mm with {m.clearance_min_mm:g} to {m.clearance_max_mm:g} mm clearance"
    return size


def _use_words(spec: JobSpec) -> str:
    flags = (
        (spec.use.load_bearing, "load-bearing"),
        (spec.use.food_contact, "food contact"),
        (spec.use.mains_powered, "near mains power"),
    )
    return ", ".join(words for set_, words in flags if set_)


def split_parts(split: TimeSplit) -> tuple[SplitPart, ...]:
    """One copy's time by what sets the pace, largest share of the bar first to last as named."""
    named = (
        ("melt", "melting", split.melt_h),
        ("motion", "motion", split.motion_h),
        ("cooling", "cooling", split.cooling_h),
        ("travel", "travel", split.travel_h),
        ("setup", "setting up", split.setup_h),
    )
    total = sum(h for _, _, h in named)
    if total <= 0.0:
        return ()
    return tuple(SplitPart(key, words, value, value / total) for key, words, value in named if value > 0.0)


def pace_plot(split: Sequence[SplitPart]) -> PartsPlot:
    parts = [Part(one.words, one.share, f"pace-{one.key}", hours(one.hours)) for one in split]
    return parts_plot("pace", "Time of one copy by what sets the pace", parts)

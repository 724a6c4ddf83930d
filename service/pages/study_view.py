"""A line-up study as rows, a plot and tables. Pure; no HTTP, no Redis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from service.pages.names import Names, names_of
from service.pages.plots.costs import Cause, CostsPlot
from workers.model.lineup import CostSplit, LineUpRequest, LineUpResult, Mounted
from workers.model.long_task import ENDED, LongTask
from workers.model.shop import Shop

CAUSES = (
    ("machine", "Machine hours"),
    ("operator", "Setting up, by a person"),
    ("material", "Filament"),
    ("scrap", "Failed copies"),
    ("clog", "Blocked bores"),
    ("detail", "Lost detail"),
    ("late", "Late work"),
    ("outside", "Bought outside"),
    ("change", "Changes of nozzle"),
    ("purchase", "Nozzles bought"),
)


@dataclass(frozen=True, slots=True)
class NozzleRow:
    """One nozzle on one machine. change: stays, taken off, mounted, bought; hours: None where it is not there."""

    machine: str
    nozzle: str
    bore_mm: float
    tip: str
    change: str
    hours_today: float | None
    hours_best: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyView:
    task: LongTask
    request: LineUpRequest
    names: Names
    open: bool
    result: LineUpResult | None = None
    costs: tuple[Cause, ...] = ()
    nozzles: tuple[NozzleRow, ...] = ()
    plot: CostsPlot | None = None


def study_view(task: LongTask, request: LineUpRequest, result: LineUpResult | None, shop: Shop) -> StudyView:
    """Names come from today's shop; a thing that has left it goes by its id."""
    names = names_of(shop)
    view = {"task": task, "request": request, "names": names, "open": task.state not in ENDED}
    if result is None:
        return StudyView(**view)  # type: ignore[arg-type]
    costs = causes(result.today.costs, result.best.costs)
    return StudyView(
        **view,  # type: ignore[arg-type]
        result=result,
        costs=costs,
        nozzles=nozzle_rows(result, names),
        plot=_costs_plot(costs, result.window_h) if costs else None,
    )


def causes(today: CostSplit, best: CostSplit) -> tuple[Cause, ...]:
    """Every cause that one of the two has."""
    every = (Cause(words, float(getattr(today, name)), float(getattr(best, name))) for name, words in CAUSES)
    return tuple(one for one in every if max(one.today, one.best) > 0.005)


def _costs_plot(costs: tuple[Cause, ...], window_h: float) -> CostsPlot:
    read = "; ".join(f"{one.words}: today {one.today:.0f}, best {one.best:.0f}" for one in costs)
    return CostsPlot(
        key="costs",
        title="Costs by cause: today's line-up (upper bar) and the best one found (lower bar)",
        words=f"{read}.",
        unit=f"cost per {window_h:.0f} h",
        causes=costs,
    )


def nozzle_rows(result: LineUpResult, names: Names) -> tuple[NozzleRow, ...]:
    today = {_key(one): one for one in result.today.mounted}
    best = {_key(one): one for one in result.best.mounted}
    order = [load.machine_id for load in result.best.loads]
    keys = sorted({*today, *best}, key=lambda key: (order.index(key[0]), key[1:]))
    return tuple(_nozzle_row(names, today.get(key), best.get(key)) for key in keys)


def _key(one: Mounted) -> tuple[str, float, str]:
    return one.machine_id, one.bore_mm, "/".join(one.nozzle_ids) or one.nozzle


def _nozzle_row(names: Names, today: Mounted | None, best: Mounted | None) -> NozzleRow:
    one = best or today
    if one is None:
        raise ValueError("a nozzle is on at least one of the two")
    change = "stays"
    if today is None:
        change = "mounted" if one.nozzle_ids else "bought"
    elif best is None:
        change = "taken off"
    return NozzleRow(
        names[one.machine_id],
        one.nozzle,
        one.bore_mm,
        one.tip.value,
        change,
        today.hours if today else None,
        best.hours if best else None,
    )


def _saving_row(result: LineUpResult) -> Sequence[object]:
    said = result.saving
    if said is None:
        raise ValueError("the study was stopped before its saving was known")
    known = (said.expected, said.share, said.low, said.high, said.chance, said.draws)
    return (*known, result.best.costs.total, result.bound, result.gap)


def tables(view: StudyView) -> dict[str, tuple[tuple[str, ...], list[Sequence[object]]]]:
    """Head and rows of what can be loaded down, by name."""
    result = view.result
    if result is None:
        return {}
    nozzles = [(n.machine, n.nozzle, n.bore_mm, n.tip, n.change, n.hours_today, n.hours_best) for n in view.nozzles]
    return {
        "costs": (("cause", "today", "best"), [(row.words, row.today, row.best) for row in view.costs]),
        "saving": (
            ("expected", "share_of_today", "low", "high", "chance", "draws", "best_cost", "bound", "gap"),
            [_saving_row(result)] if result.saving else [],
        ),
        "line-up": (("machine", "nozzle", "bore_mm", "tip", "change", "hours_today", "hours_best"), [*nozzles]),
        "jobs": (
            ("job", "id", "count", "saving", "today", "best"),
            [(d.name, d.job_id, d.count, d.saving, d.today, d.best) for d in result.deciding],
        ),
        "offers": (
            ("nozzle", "bore_mm", "price", "break_even", "break_even_low", "break_even_high", "bought", "pays"),
            [
                (o.name, o.bore_mm, o.price, o.break_even, o.break_even_low, o.break_even_high, o.bought, o.pays)
                for o in result.offers
            ],
        ),
    }

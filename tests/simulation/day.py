"""A day in an invented shop: jobs come, machines break down, bores clog, a nozzle is changed; a rule says what prints.

Time is simulated. What happens to a copy is drawn from its name, so two rules meet the same day: the same jobs, the
same break-downs, and the same luck for the same try of the same copy.
"""

from __future__ import annotations

import heapq
import math
import random
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Protocol

from tests.builders import block, chopped_fibre, curves, machine, nozzle, plain, spool
from workers.model.fleet import Machine, Material, Nozzle, Spool
from workers.model.job import JobSpec, MaterialNeed
from workers.model.outcome import Report, ScrapReason
from workers.model.routing import Candidate

TIME_SD = 0.15  # of ln(hours taken / hours foretold)
LOOSE = 0.02  # chance that a copy comes loose from the bed
TRIES = 6  # the last try of a copy is always good, so that every job ends
MATERIALS = ("pa-cf", "petg", "pla")


@dataclass(frozen=True)
class Arrival:
    at_h: float
    name: str
    spec: JobSpec
    due_h: float


@dataclass(frozen=True)
class Trouble:
    """From ``at_h`` for ``hours``: a break-down, or the change to another nozzle where one is named."""

    at_h: float
    machine_id: str
    hours: float
    nozzle_id: str | None = None


@dataclass(frozen=True)
class Plan:
    """What is in store for the shop, whatever the rule."""

    seed: int
    machines: tuple[Machine, ...]
    nozzles: tuple[Nozzle, ...]
    materials: tuple[Material, ...]
    spools: tuple[Spool, ...]
    arrivals: tuple[Arrival, ...]
    troubles: tuple[Trouble, ...]


@dataclass(frozen=True)
class Work:
    """One copy on its way. tries: how often it was begun before."""

    machine_id: str
    job: str
    copy: int
    tries: int
    candidate: Candidate
    claim_id: str = ""


class Rule(Protocol):
    """Who says what is printed where."""

    def arrive(self, arrival: Arrival) -> None: ...
    def next_for(self, machine_id: str) -> Work | None: ...
    def began(self, work: Work) -> None: ...
    def halfway(self, work: Work) -> None: ...
    def ended(self, work: Work, report: Report) -> bool:
        """Whether the whole job has ended with it."""
        ...

    def lost(self, work: Work) -> None: ...
    def went(self, machine_id: str, *, up: bool) -> None: ...
    def nozzle_changed(self, machine_id: str, nozzle_id: str) -> None: ...
    def loaded(self, machine_id: str, material_id: str) -> None: ...


@dataclass
class Figures:
    """What came of a day, in hours and numbers."""

    jobs: int = 0
    ended: dict[str, int] = field(default_factory=dict)
    late: int = 0
    late_h: float = 0.0
    weighted_late_h: float = 0.0
    flow_h: float = 0.0
    setups: int = 0
    setup_h: float = 0.0
    printing_h: float = 0.0
    good: int = 0
    scrapped: int = 0
    lost: int = 0
    moves: int = 0
    last_h: float = 0.0


def plan(seed: int, jobs: int = 90, hours: float = 24.0) -> Plan:
    """Five machines with three bores between them, three materials, and more in the morning than at night."""
    rng = random.Random(seed)
    bores = {"m1": 0.4, "m2": 0.4, "m3": 0.5, "m4": 0.6, "m5": 0.6}
    machines = tuple(machine(one, nozzle_slots=1, material_change_s=900.0, nozzle_change_s=1200.0) for one in bores)
    nozzles = tuple(nozzle(f"n-{one}", bore, one) for one, bore in bores.items())
    spare = nozzle("n-spare", 0.5, None)
    first = dict(zip(bores, ("pla", "petg", "pa-cf", "pla", "pa-cf"), strict=True))
    spools = tuple(
        replace(spool(material, one if first[one] == material else None), id=f"s-{one}-{material}", remaining_g=9000.0)
        for one in bores
        for material in MATERIALS
    )
    troubles = [_break_down(rng, one, hours) for one in ("m1", "m2", "m3", "m4") if rng.random() < 0.75]
    troubles.append(Trouble(rng.uniform(0.3, 0.6) * hours, "m5", 0.4, "n-spare"))
    return Plan(
        seed=seed,
        machines=machines,
        nozzles=(*nozzles, spare),
        materials=(chopped_fibre(), plain("petg", polymer="PETG"), plain()),
        spools=spools,
        arrivals=tuple(_arrival(rng, i, hours) for i in range(jobs)),
        troubles=tuple(troubles),
    )


def _break_down(rng: random.Random, machine_id: str, hours: float) -> Trouble:
    return Trouble(rng.uniform(0.1, 0.7) * hours, machine_id, rng.uniform(0.5, 4.0))


def _arrival(rng: random.Random, number: int, hours: float) -> Arrival:
    at_h = 0.7 * hours * rng.betavariate(1.0, 1.6)
    side, height = rng.uniform(30, 75), rng.uniform(10, 40)
    quantity = rng.choice((1, 1, 1, 2, 3))
    spec = JobSpec(
        name=f"job {number:03}",
        summary=block(side, side, height, curves=curves(rng.choice((0.45, 0.7, 1.5)), share=0.003)),
        material=MaterialNeed(material_ids=rng.choice((("pla",), ("petg",), ("pa-cf",), ("petg", "pla")))),
        infill=rng.choice((0.15, 0.2, 0.4)),
        quantity=quantity,
        priority=rng.choice((0, 0, 0, 5, 10)),
    )
    return Arrival(at_h, spec.name, spec, at_h + quantity * rng.uniform(0.8, 2.0) + rng.uniform(1.0, 12.0))


class Day:
    """Runs a plan under a rule. ``at`` gives simulated hours; every change of state is one event of the queue."""

    def __init__(self, plan: Plan, rule: Rule, clock: Callable[[float], None] = lambda at_h: None) -> None:
        self.plan, self.rule, self._tell = plan, rule, clock
        self.figures = Figures(jobs=len(plan.arrivals))
        self.at = 0.0
        self._queue: list[tuple[float, int, Callable[[], None]]] = []
        self._serial = 0
        self._up = {one.id: True for one in plan.machines}
        self._busy: dict[str, Work | None] = {one.id: None for one in plan.machines}
        self._began: dict[str, float] = {}
        self._loaded = {one.machine_id: one.material_id for one in plan.spools if one.machine_id}
        self._change_h = {one.id: one.material_change_s / 3600.0 for one in plan.machines}
        self._nozzle_due: dict[str, Trouble] = {}
        self._arrivals = {one.name: one for one in plan.arrivals}

    def run(self) -> Figures:
        for arrival in self.plan.arrivals:
            self._at(arrival.at_h, lambda one=arrival: self.rule.arrive(one))  # type: ignore[misc]
        for trouble in self.plan.troubles:
            self._at(trouble.at_h, lambda one=trouble: self._trouble(one))  # type: ignore[misc]
        while self._queue:
            self.at, _, happen = heapq.heappop(self._queue)
            self._tell(self.at)
            happen()
            self._give_work()
        return self.figures

    def _at(self, at_h: float, happen: Callable[[], None]) -> None:
        self._serial += 1
        heapq.heappush(self._queue, (at_h, self._serial, happen))

    def _give_work(self) -> None:
        for machine_id, up in self._up.items():
            if up and self._busy[machine_id] is None and (work := self.rule.next_for(machine_id)) is not None:
                self._begin(work)

    def _begin(self, work: Work) -> None:
        self._busy[work.machine_id] = work
        self._began[work.machine_id] = self.at
        setup = 0.0
        if self._loaded.get(work.machine_id) != work.candidate.material_id:
            setup = self._change_h[work.machine_id]
            self._loaded[work.machine_id] = work.candidate.material_id
            self.figures.setups += 1
            self.figures.setup_h += setup
            self.rule.loaded(work.machine_id, work.candidate.material_id)
        self.rule.began(work)
        hours, report = self._fate(work)
        self._at(self.at + setup + hours / 2, lambda: self._halfway(work))
        self._at(self.at + setup + hours, lambda: self._end(work, hours, report))

    def _fate(self, work: Work) -> tuple[float, Report]:
        rng = random.Random(f"{self.plan.seed} {work.job} {work.copy} {work.tries}")
        candidate, luck, where = work.candidate, rng.random(), rng.uniform(0.1, 0.9)
        hours = candidate.print_h * math.exp(rng.gauss(0.0, TIME_SD))
        if work.tries < TRIES and luck < candidate.clog_risk:
            volume = where * candidate.volume_cm3
            return where * hours, Report(accepted=False, scrap_reason=ScrapReason.CLOG, clogs=1, extruded_cm3=volume)
        if work.tries < TRIES and luck < candidate.clog_risk + LOOSE:
            return where * hours, Report(accepted=False, scrap_reason=ScrapReason.CAME_LOOSE)
        return hours, Report(accepted=True, print_h=hours)

    def _halfway(self, work: Work) -> None:
        if self._busy[work.machine_id] is work:
            self.rule.halfway(work)

    def _end(self, work: Work, hours: float, report: Report) -> None:
        if self._busy[work.machine_id] is not work:
            return  # lost to a break-down before its end
        self._busy[work.machine_id] = None
        self.figures.printing_h += hours
        self.figures.good += report.accepted
        self.figures.scrapped += not report.accepted
        if self.rule.ended(work, report):
            self._count(work.job)
        if (change := self._nozzle_due.pop(work.machine_id, None)) is not None:
            self._trouble(change)

    def _count(self, name: str) -> None:
        arrival, figures = self._arrivals[name], self.figures
        late = max(self.at - arrival.due_h, 0.0)
        figures.ended[name] = figures.ended.get(name, 0) + 1
        figures.late += late > 0.0
        figures.late_h += late
        figures.weighted_late_h += late * 2.0 ** (arrival.spec.priority / 5.0)
        figures.flow_h += self.at - arrival.at_h
        figures.last_h = max(figures.last_h, self.at)

    def _trouble(self, trouble: Trouble) -> None:
        work = self._busy[trouble.machine_id]
        if trouble.nozzle_id is not None and (work is not None or not self._up[trouble.machine_id]):
            self._nozzle_due[trouble.machine_id] = trouble  # nobody changes a nozzle in the middle of a print
            return
        if work is not None:
            self._busy[trouble.machine_id] = None
            self.figures.lost += 1
            self.rule.lost(work)
        self._up[trouble.machine_id] = False
        if trouble.nozzle_id is None:
            self.rule.went(trouble.machine_id, up=False)
        else:
            self.rule.nozzle_changed(trouble.machine_id, trouble.nozzle_id)
        self._at(self.at + trouble.hours, lambda: self._back(trouble))

    def _back(self, trouble: Trouble) -> None:
        self._up[trouble.machine_id] = True
        if trouble.nozzle_id is None:
            self.rule.went(trouble.machine_id, up=True)

"""The order of a dispatch list: a pure rule and what an order costs.

A job is put where the list then costs least: weighted hours of lateness, plus hours of setup, plus a little for every
hour waited, so that an urgent or short job goes ahead where nobody is late. Lateness is an expectation over the doubt
about the job's own time (that of the jobs ahead is left out: it would change with every order), so the risk of being
late counts. A job without a due date counts as late after ``PATIENCE_D`` days: what waits gains weight and nothing
waits for ever. A wet spool is dried beside the printing: it holds back the start of its jobs, not the machine.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import sqrt

import numpy as np

from workers.model.dispatch import Claim, Entry, ListCost, Listed, RoutedJob
from workers.model.fleet import Machine
from workers.model.routing import Candidate
from workers.model.shop import Shop
from workers.planning.drying import drying_hours
from workers.planning.line import SETUP, WAIT, Array, Index, Line, expected_late
from workers.planning.places import UNPLACED

# Engineering priors, all of them.
PRIORITY_DOUBLES = 5.0  # steps of priority that double a job's weight
PATIENCE_D = 7.0  # days after which a job without a due date counts as late
TIME_SPREAD = 0.2  # relative error of a time that nothing measured bears out


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """One machine as its list sees it: how long changes take, and what each nozzle has carried last.

    loaded: nozzle id -> material at its slot (None: none) of the nozzles that are mounted.
    busy_h, busy_sd_h: what the copy now printing still takes. dry_h: material id -> hours until its spool is dry, where
    it is not.
    """

    now: float
    nozzle_change_h: float
    material_change_h: float
    loaded: Mapping[str, str | None]
    busy_h: float = 0.0
    busy_sd_h: float = 0.0
    dry_h: Mapping[str, float] = field(default_factory=dict)

    def setup_h(self, nozzle_id: str, material_id: str) -> float:
        """Hours of setup before the first entry that uses this nozzle."""
        if nozzle_id not in self.loaded:
            return self.nozzle_change_h + self.material_change_h
        return 0.0 if self.loaded[nozzle_id] == material_id else self.material_change_h


def bench_of(shop: Shop, machine: Machine, listed: Sequence[Listed], claim: Claim | None, now: float) -> Bench:
    """The machine as it stands, the copy in the works counted as the last thing its nozzle carried."""
    spools = {one.slot: one.material_id for one in shop.spools if one.machine_id == machine.id}
    loaded = {one.id: spools.get(one.slot) for one in shop.nozzles if one.machine_id == machine.id}
    busy_h, busy_sd_h = 0.0, 0.0
    if claim is not None:
        loaded[claim.nozzle_id] = claim.material_id
        entry = next((one.entry for one in listed if one.entry.job_id == claim.job_id), None)
        if entry is not None:
            busy_h, busy_sd_h = _rest_of(entry, claim, now)
    return Bench(
        now=now,
        nozzle_change_h=machine.nozzle_change_s / 3600.0,
        material_change_h=machine.material_change_s / 3600.0,
        loaded=loaded,
        busy_h=busy_h,
        busy_sd_h=busy_sd_h,
        dry_h=drying_hours(shop, machine.id, now),
    )


def _rest_of(entry: Entry, claim: Claim, now: float) -> tuple[float, float]:
    """Hours left of a copy and their deviation: by its own word on progress, else by the time it has taken."""
    done = claim.progress or min(0.95, (now - claim.taken_at) / 3600.0 / entry.copy_h)
    return entry.copy_h * (1.0 - done), entry.copy_h * entry.spread


def listed_of(job: RoutedJob, now: float) -> Listed:
    """A routed job as a list keeps it, without a place yet."""
    chosen, grounds = job.chosen, job.chosen.grounds
    spread = grounds.time_ln_scale or TIME_SPREAD
    if grounds.time_dof > 2.0:
        spread *= sqrt(grounds.time_dof / (grounds.time_dof - 2.0))  # variance of Student's t
    good = chosen.good_share
    entry = Entry(
        job_id=job.job_id,
        name=job.name,
        attempt=job.attempt,
        quantity=job.quantity,
        nozzle_id=chosen.nozzle_id,
        material_id=chosen.material_id,
        copy_h=chosen.hours_per_good - chosen.setup_h / good,
        spread=spread,
        retry_sd_h=chosen.print_h * sqrt(1.0 - good) / good,  # failures before a good copy are geometric
        priority=job.priority,
        handed_in_at=job.handed_in_at,
        bound_at=now,
        due_at=job.due_at,
    )
    return Listed(entry=entry, place=UNPLACED, accepted=job.accepted, scrapped=job.scrapped)


def listed_anew(listed: Listed, chosen: Candidate) -> Listed:
    """The job with another candidate chosen for it; how it stands and since when it waits is kept."""
    entry = listed.entry
    job = RoutedJob(
        job_id=entry.job_id,
        attempt=entry.attempt,
        name=entry.name,
        quantity=entry.quantity,
        priority=entry.priority,
        handed_in_at=entry.handed_in_at,
        chosen=chosen,
        due_at=entry.due_at,
        accepted=listed.accepted,
        scrapped=listed.scrapped,
    )
    made = listed_of(job, entry.bound_at)
    return replace(made, entry=replace(made.entry, pinned=entry.pinned, moved_at=entry.moved_at), held=listed.held)


def weight_of(entry: Entry) -> float:
    return float(2.0 ** (entry.priority / PRIORITY_DOUBLES))


def wanted_at(entry: Entry) -> float:
    """The due date, or the end of patience with a job that has none."""
    return entry.due_at if entry.due_at is not None else entry.handed_in_at + PATIENCE_D * 86_400.0


@dataclass(frozen=True, slots=True)
class _Prices:
    """A job (a line of one) at each position 0 to n: the rise in cost, its own setup, the next entry of its nozzle
    (n: none) and that one's setup then."""

    job: Line
    total: Array
    own: Array
    follower: Index
    behind: Array

    def grown(self, line: Line, at: int) -> Line:
        """The line with the job at a position."""
        return line.with_one(self.job, at, float(self.own[at]), int(self.follower[at]), float(self.behind[at]))


class Sequencer:
    """Grows one machine's list, each job where it costs least."""

    def __init__(self, bench: Bench, listed: Sequence[Listed] = ()) -> None:
        self._bench = bench
        self._nozzles: dict[str, int] = {}
        self._materials: dict[str, int] = {}
        self.listed = list(listed)
        self._line = self._line_of(self.listed)
        self._priced: tuple[Listed, _Prices] | None = None
        self._now = self._reckoned()
        self._first = max((i + 1 for i, one in enumerate(self.listed) if one.entry.pinned), default=0)

    def cost(self) -> ListCost:
        line, finish = self._line, self._finish()
        return ListCost(
            setup_h=float(line.setup.sum()),
            late_jobs=int(np.count_nonzero((finish > line.wanted) & (line.work > 0.0))),
            weighted_lateness_h=float(line.weight @ line.lateness(finish)),
            total=line.total(self._bench.busy_h),
        )

    @property
    def end_h(self) -> float:
        """Hours until the whole list is printed."""
        finish = self._now[0]
        return float(finish[-1]) if finish.size else self._bench.busy_h

    def insert(self, listed: Listed, position: int | None = None) -> int:
        """Put a job at ``position`` (counted from 0), or where the list then costs least; gives where."""
        each = self._prices(listed)
        chosen = self._first + _last_least(each.total[self._first :]) if position is None else position
        chosen = min(max(chosen, 0), len(self.listed))
        self.listed.insert(chosen, listed)
        self._line = each.grown(self._line, chosen)
        self._priced, self._now = None, self._reckoned()
        if listed.entry.pinned or chosen < self._first:
            self._first = max(self._first, chosen) + 1
        return chosen

    def rise(self, listed: Listed) -> float:
        """How much the list's cost rises with the job where the rule would put it."""
        return float(self._prices(listed).total[self._first :].min())

    def costs(self, listed: Listed) -> Array:
        """How much the list's cost rises with the job at each position, 0 to n: shape (n + 1,)."""
        return self._prices(listed).total

    def _prices(self, listed: Listed) -> _Prices:
        """Kept until the list grows: who asks for the price mostly buys."""
        if self._priced is None or self._priced[0] is not listed:
            self._priced = (listed, self._priced_anew(listed))
        return self._priced[1]

    def _priced_anew(self, listed: Listed) -> _Prices:
        line, x, finish = self._line, self._line_of([listed]), self._finish()
        begin = np.concatenate(([self._bench.busy_h], finish))
        same = np.flatnonzero((line.nozzle == x.nozzle[0]) & (line.work > 0.0))
        before = np.searchsorted(same, np.arange(begin.size))  # how many of its nozzle stand ahead of each position
        own = self._own_setup(listed.entry, x, same, before)
        follower, behind, eased = self._follower(x, same, before)
        own_finish = begin + own + x.work[0]
        late = expected_late(own_finish - x.wanted[0], np.broadcast_to(x.sd[0], own_finish.shape))
        total = x.weight[0] * (late + WAIT * own_finish) + SETUP * (own + eased)
        for at, setup, ease in _alike(own, eased):
            near, far = self._push(finish, setup + x.work[0]), self._push(finish, setup + x.work[0] + ease)
            total[at] += near[at] - near[follower[at]] + far[follower[at]]
        prices = _Prices(x, total, own, follower, behind)
        self._reckon_waits(prices, begin)
        return prices

    def _reckon_waits(self, prices: _Prices, begin: Array) -> None:
        """Positions ahead of the last spool's being dry are reckoned in full: a wait there takes up part of a shift."""
        dry = max(float(self._line.ready.max(initial=0.0)), float(prices.job.ready[0]))
        if dry > 0.0:
            before = self._line.total(self._bench.busy_h)
            for at in np.flatnonzero(begin < dry):
                prices.total[at] = prices.grown(self._line, int(at)).total(self._bench.busy_h) - before

    def _own_setup(self, entry: Entry, x: Line, same: Index, before: Index) -> Array:
        first = self._bench.setup_h(entry.nozzle_id, entry.material_id)
        if not same.size:
            return np.full(before.shape, first)
        change = self._line.material[same[before - 1]] != x.material[0]
        return np.where(before > 0, np.where(change, self._bench.material_change_h, 0.0), first)

    def _follower(self, x: Line, same: Index, before: Index) -> tuple[Index, Array, Array]:
        """The next entry of its nozzle behind each position (n: none), its setup then, and how much that changes."""
        line = self._line
        follower = np.append(same, line.work.size)[before]
        change = np.where(line.material[same] != x.material[0], self._bench.material_change_h, 0.0)
        behind = np.append(change, 0.0)[before]
        return follower, behind, behind - np.append(line.setup[same], 0.0)[before]

    def _push(self, finish: Array, shift: float) -> Array:
        """What it costs when all from i on finish ``shift`` hours later: shape (n + 1,)."""
        line = self._line
        each = line.weight * (line.lateness(finish + shift) - self._now[1] + WAIT * shift)
        return np.append(np.cumsum(each[::-1])[::-1], 0.0)

    def _finish(self) -> Array:
        return self._now[0]

    def _reckoned(self) -> tuple[Array, Array]:
        """When each finishes, and its expected lateness."""
        finish = self._line.finish(self._bench.busy_h)
        return finish, self._line.lateness(finish)

    def _line_of(self, listed: Sequence[Listed]) -> Line:
        entries = [one.entry for one in listed]
        nozzles, materials = self._nozzles, self._materials
        return Line(
            nozzle=np.array([nozzles.setdefault(e.nozzle_id, len(nozzles)) for e in entries], np.intp),
            material=np.array([materials.setdefault(e.material_id, len(materials)) for e in entries], np.intp),
            setup=np.array(setups(self._bench, listed)),
            work=np.array([one.waiting * one.entry.copy_h for one in listed]),
            wanted=np.array([(wanted_at(e) - self._bench.now) / 3600.0 for e in entries]),
            weight=np.array([weight_of(e) if one.waiting else 0.0 for e, one in zip(entries, listed, strict=True)]),
            ready=np.array(
                [self._bench.dry_h.get(one.entry.material_id, 0.0) if one.waiting else 0.0 for one in listed]
            ),
            sd=np.array([_own_sd_h(self._bench, one) for one in listed]),
        )


def _own_sd_h(bench: Bench, one: Listed) -> float:
    """Deviation of an entry's finish from its own copies and the one now printing."""
    entry, left = one.entry, one.waiting
    return sqrt((left * entry.copy_h * entry.spread) ** 2 + left * entry.retry_sd_h**2 + bench.busy_sd_h**2)


def _alike(own: Array, eased: Array) -> Iterator[tuple[Index, float, float]]:
    """The positions by their few distinct pairs of setup and ease."""
    left = np.ones(own.size, bool)
    while left.any():
        i = int(left.argmax())
        at = (own == own[i]) & (eased == eased[i])
        left &= ~at
        yield np.flatnonzero(at), float(own[i]), float(eased[i])


def _last_least(costs: Array) -> int:
    """Of equally good positions the last: first come, first served. Rounding makes no difference."""
    least = float(costs.min())
    return int(np.flatnonzero(costs <= least + 1e-9 * (1.0 + abs(least)))[-1])


def setups(bench: Bench, listed: Sequence[Listed]) -> list[float]:
    """Hours of setup before each entry: a change of material on its nozzle, and the nozzle's own mounting.

    An entry of which no copy waits has none.
    """
    last: dict[str, str] = {}
    hours = []
    for one in listed:
        nozzle, material = one.entry.nozzle_id, one.entry.material_id
        if not one.waiting:
            hours.append(0.0)
            continue
        known = last.get(nozzle)
        changed = 0.0 if known == material else bench.material_change_h
        hours.append(bench.setup_h(nozzle, material) if known is None else changed)
        last[nozzle] = material
    return hours

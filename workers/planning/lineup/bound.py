"""A lower bound on the cost of any line-up: the linear program in which a part of a nozzle may be on a machine.

What a mounting prints takes room in proportion to how much of it is there, and no entry prints more on it than that.
Rows of the second kind come in where they are broken, shares where they would pay (column generation). Whatever the
program was stopped at, its duals bound the whole: every entry prints once, so it gains its least reduced cost at most
(Lagrangian bound: Lübbecke & Desrosiers 2005, Operations Research 53, 1007-1023; from memory).
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from workers.learning.arrays import floats
from workers.planning.lineup.alike import Team, teams
from workers.planning.lineup.problem import Floats, Ints, LineUpProblem
from workers.planning.rows import Optimum, Rows

# Ours, by trial on a shop of 30 machines: they change the speed only.
FIRST, MORE = 8, 5  # columns an entry begins with, and gets in a round
PARTS = 11  # prices tried between two ends
SAMPLE = 250  # entries that the first guess rests on
FEW = 0.05  # of the entries: where so few miss a column, rows come in as well
PATIENCE, GAIN = 3, 1e-4  # rounds in which the bound did not rise by so much, after which it is left
ROWS_MORE = 4  # rows an entry gets in a round, at most on the average
BROKEN = 1e-3  # by which a row must be broken to come in
CLOSE = 1e-9  # relative to an entry's cost outside: a reduced cost of no account
ROUND_OFF = 1e-9  # relative, taken off the bound


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Picked:
    """(J, C): which shares the program has as columns, and which of them have a row of their own. rent: (M,) worth of
    a machine's hour there."""

    taken: np.ndarray
    tied: np.ndarray
    rent: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Relaxed:
    """No line-up costs less than value. wish: (K,) how much of each mounting the program has, 0 to 1; near: few columns
    are missing; picked: to begin the next program with."""

    value: float
    wish: Floats
    near: bool
    picked: Picked


def relaxations(
    problem: LineUpProblem, rent: Floats, *, seconds: float, known: Picked | None = None
) -> Iterator[Relaxed]:
    """The best bound so far after each round. rent (M,): a guess, which only saves time, as does what is known from a
    problem with the same entries, machines and kinds."""
    until, team = time.monotonic() + seconds, teams(problem)
    rents, best, idle, seen = team.of_machines(rent), 0.0, 0, False
    sample = _sample(problem, team, rents, until)
    program = _Program(problem, team, sample[-1].rents if sample else rents, known)
    if sample:
        best = max(map(program.blown_up, sample))
        yield _told(program, sample[-1], best, near=True)
    while idle < PATIENCE and (point := program.solved(until - time.monotonic())) is not None:
        bound, missing = program.bound(point.duals), program.add_columns(point.duals)
        near = missing <= FEW * problem.entries
        seen = seen or near
        idle = idle + 1 if seen and bound <= best * (1.0 + GAIN) else 0
        best = max(best, bound)
        yield _told(program, point, best, near=near)
        if near and not program.add_rows(point) and not missing:
            return


def _told(program: _Program, point: _Point, best: float, *, near: bool) -> Relaxed:
    team, there, rent = program.team, point.there, point.duals.room.copy()
    on_team = np.bincount(team.team[team.of], there, minlength=len(rent))
    earned = np.bincount(team.team[team.of], there * point.duals.rent[team.of], minlength=len(rent))
    rent = np.minimum(rent + earned / (on_team + BROKEN), team.overload)
    return Relaxed(
        value=max(best - ROUND_OFF * max(1.0, best), 0.0),
        wish=floats((there / team.most)[team.mounting_choice]),
        near=near,
        picked=Picked(taken=program.taken, tied=program.tied, rent=floats(rent[team.of_machine])),
    )


def _sample(problem: LineUpProblem, team: Team, rents: Floats, until: float) -> list[_Point]:
    """The program of some of the entries, blown up to all: what its hours are worth is nearly what those of all are.
    Without rows, and at its best with them; nothing where there are too few entries, or too little time."""
    step = problem.entries // SAMPLE
    if step < 2:
        return []
    rows = slice(step // 2, None, step)
    size = problem.entries / len(problem.outside[rows])
    few = replace(
        problem, cost=problem.cost[rows] * size, hours=problem.hours[rows] * size, outside=problem.outside[rows] * size
    )
    program = _Program(few, replace(team, cost=team.cost[rows] * size, hours=team.hours[rows] * size), rents, None)
    found: list[_Point] = []
    best, idle = 0.0, 0
    while idle < PATIENCE and (point := program.solved(until - time.monotonic())) is not None:
        bound, near = program.bound(point.duals), program.add_columns(point.duals) <= FEW * few.entries
        idle = idle + 1 if near and bound <= best * (1.0 + GAIN) else 0
        if not program.tied.any():
            found, best = [point], bound
        elif bound > best:
            found, best = [found[0], point], bound
        if near and not program.add_rows(point):
            break
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Duals:
    """price (J,) of printing an entry; rent (C,) of an hour with a column, room (G,) of an hour of a team, slot (G,),
    piece (N,); tie (J, C): of printing no more than is there. All but the price at least 0."""

    price: Floats
    rent: Floats
    room: Floats
    slot: Floats
    piece: Floats
    tie: Floats


@dataclass(frozen=True, slots=True, eq=False)
class _Point:
    """Where a program came out. share (S,), of its columns; there (Y,), of its choices; rents (C,) of an hour."""

    share: Floats
    there: Floats
    rents: Floats
    duals: _Duals


class _Program:
    """The program of the columns that are taken and the rows that are tied."""

    def __init__(self, problem: LineUpProblem, team: Team, rent: Floats, known: Picked | None) -> None:
        self.problem, self.team = problem, team
        self.taken = self._least(team.cost + rent * team.hours, FIRST) & np.isfinite(team.cost)
        self.tied = np.zeros_like(self.taken)
        if known is not None:
            self.taken, self.tied = self.taken | known.taken, known.tied.copy()

    def _least(self, values: Floats, count: int) -> np.ndarray:
        """(J, C): whether it is one of the least of its row."""
        found = np.zeros(values.shape, dtype=bool)
        if values.shape[1] <= count:
            return ~found
        np.put_along_axis(found, np.argpartition(values, count, axis=1)[:, :count], True, axis=1)
        return found

    def solved(self, seconds: float) -> _Point | None:
        """None if the time does not suffice."""
        if seconds <= 0.0:
            return None
        problem, team, rows = self.problem, self.team, Rows()
        entry, column = self.entry, self.column = np.nonzero(self.taken)
        share = rows.variables(team.cost[entry, column])
        outside = rows.variables(problem.outside)
        over = rows.variables(team.overload[team.team])
        there = rows.variables(team.once)
        rows.equal([(entry, share, 1.0), (np.arange(problem.entries), outside, 1.0)], np.ones(problem.entries))
        spent, every, of = team.hours[entry, column], np.arange(team.columns), team.of
        room = team.room[team.team]
        rows.at_most([(column, share, spent), (every, over, -1.0), (of, there, -room[of])], np.zeros(team.columns))
        rows.at_most([(team.team[column], share, spent), (team.team, over, -1.0)], team.room * team.count)
        rows.at_most([(team.team[of], there, 1.0)], team.slots)
        rows.at_most([(team.kind[of], there, 1.0)], problem.pieces.astype(np.float64))
        self._tie(rows, entry, column, share, there)
        upper = np.full(rows.costs.size, np.inf)
        upper[there] = team.most
        optimum = rows.optimum(upper, seconds)
        if optimum is None:
            return None
        duals = self._duals(optimum)
        rents = floats(duals.rent + duals.room[team.team])
        return _Point(optimum.x[share], optimum.x[there], rents, duals)

    def _tie(self, rows: Rows, entry: Ints, column: Ints, share: Ints, there: Ints) -> None:
        at = np.flatnonzero(self.tied[entry, column])
        if at.size:
            row, choice = np.nonzero(column[at][:, None] == self.team.of)
            rows.at_most([(np.arange(at.size), share[at], 1.0), (row, there[choice], -1.0)], np.zeros(at.size))

    def _duals(self, optimum: Optimum) -> _Duals:
        """The duals, put within their limits."""
        team, most = self.team, optimum.most
        sizes = np.cumsum([team.columns, len(team.count), len(team.count), self.problem.kinds])
        rent, room, slot, piece, tied = np.split(most, sizes)
        limit = team.overload[team.team]
        room = np.minimum(room, team.overload)
        tie = np.zeros(self.taken.shape)
        tie[self.tied & self.taken] = tied
        price = np.minimum(optimum.equal, self.problem.outside)
        return _Duals(price, np.minimum(rent, limit - room[team.team]), room, slot, piece, tie)

    def reduced(self, duals: _Duals) -> Floats:
        """Reduced costs of all shares (J, C)."""
        rent = duals.rent + duals.room[self.team.team]
        return floats(self.team.cost + rent * self.team.hours + duals.tie - duals.price[:, None])

    def bound(self, duals: _Duals) -> float:
        """The dual function: what holds for any duals within their limits."""
        team, room = self.team, self.team.room
        entries = duals.price + np.minimum(self.reduced(duals).min(axis=1, initial=0.0), 0.0)
        earned = duals.rent * room[team.team] + duals.tie.sum(axis=0)
        paid = duals.slot[team.team] + duals.piece[team.kind]
        choices = np.minimum(team.once + (paid - earned)[team.of], 0.0) @ team.most
        limits = duals.room @ (room * team.count) + duals.slot @ team.slots + duals.piece @ self.problem.pieces
        return float(entries.sum() + choices - limits)

    def blown_up(self, sample: _Point) -> float:
        """The bound by the duals of some entries; the columns that they had rows for get rows. An entry's price lies
        between its least cost in any column and in one without such rows: what it gains by the others is its tie."""
        duals, rent = sample.duals, sample.rents
        pinned = duals.tie.any(axis=0)
        self.tied = self.tied | (self.taken & pinned)
        priced = self.team.cost + rent * self.team.hours
        least = np.minimum(priced.min(axis=1, initial=np.inf), self.problem.outside)
        plain = np.minimum(priced[:, ~pinned].min(axis=1, initial=np.inf), self.problem.outside)
        found = []
        for part in np.linspace(0.0, 1.0, PARTS if pinned.any() else 1):
            price = least + part * (plain - least)
            tie = np.where(pinned, np.maximum(price[:, None] - priced, 0.0), 0.0)
            found.append(self.bound(replace(duals, price=price, tie=tie)))
        return max(found)

    def add_columns(self, duals: _Duals) -> int:
        """How many entries had one that would pay."""
        reduced = self.reduced(duals)
        missing = (reduced < -CLOSE * self.problem.outside[:, None]) & ~self.taken
        self.taken = self.taken | (missing & self._least(np.where(missing, reduced, np.inf), MORE))
        return int(missing.any(axis=1).sum())

    def add_rows(self, point: _Point) -> bool:
        """Whether there were any that were broken."""
        share = np.zeros(self.taken.shape)
        share[self.entry, self.column] = point.share
        there = np.bincount(self.team.of, point.there, minlength=self.team.columns)
        excess = np.where(self.tied, 0.0, share - there)
        most = ROWS_MORE * self.problem.entries
        level = np.partition(excess, -most, axis=None)[-most] if excess.size > most else 0.0
        broken = excess > max(BROKEN, float(level))
        self.tied = self.tied | broken
        return bool(broken.any())


def choose(problem: LineUpProblem, reduced: Floats) -> Floats:
    """The mountings (K,) of 0 or 1 whose reduced costs sum to the least, within slots and pieces."""
    from scipy.optimize import linprog
    from scipy.sparse import coo_array

    chosen = np.zeros(problem.mountings)
    wanted: Ints = np.flatnonzero(reduced < 0.0)
    if not wanted.size:
        return chosen
    own, ones = np.arange(wanted.size), np.ones(wanted.size)
    rows = np.concatenate([problem.machine[wanted], problem.machines + problem.kind[wanted]])
    shape = (problem.machines + problem.kinds, wanted.size)
    table = coo_array((np.concatenate([ones, ones]), (rows, np.concatenate([own, own]))), shape=shape).tocsr()
    limits = np.concatenate([problem.slots, problem.pieces])
    result = linprog(reduced[wanted], A_ub=table, b_ub=limits, bounds=(0.0, 1.0), method="highs-ds")
    if result.status != 0:
        raise ArithmeticError(f"choosing mountings failed: {result.message}")
    chosen[wanted] = np.round(result.x)
    return chosen

"""A shared-out line-up in the words of the trade: what is mounted, what it costs by cause, which jobs decide."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from workers.model.lineup import CostSplit, Deciding, LineUpAnswer, LineUpPrices, MachineLoad, Mounted
from workers.planning.lineup.cost import parts_of
from workers.planning.lineup.mix import Deep, Mix
from workers.planning.lineup.pool import Pool
from workers.planning.lineup.problem import Floats, Ints, LineUpProblem
from workers.planning.lineup.share import Shared

DECIDING = 12  # jobs named
NOTHING = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Account:
    """What is needed to read a line-up: change, purchase (K,): what the once costs consist of, per window."""

    problem: LineUpProblem
    pool: Pool
    deep: Deep
    mountings: Ints
    change: Floats
    purchase: Floats
    prices: LineUpPrices


def answer_of(account: Account, line: Shared) -> LineUpAnswer:
    outside = _outside_share(account.problem, line)
    return LineUpAnswer(
        mounted=_mounted(account, line),
        loads=_loads(account, line),
        costs=_costs(account, line, outside),
        print_h=float(line.load.sum()),
        late_h=float(_over(account.problem, line).sum()),
        copies_outside=float(outside @ account.deep.lots.copies),
    )


def deciding_of(mix: Mix, account: Account, today: Shared, best: Shared) -> tuple[Deciding, ...]:
    """The jobs whose cost differs most, rent of the machines' hours included."""
    saving = today.own - best.own
    order = np.argsort(-np.abs(saving), kind="stable")[:DECIDING]
    return tuple(
        Deciding(
            name=mix.entries[j].spec.name,
            job_id=mix.entries[j].job_id,
            count=mix.entries[j].count,
            saving=float(saving[j]),
            today=_mostly(account, today, j),
            best=_mostly(account, best, j),
        )
        for j in order.tolist()
        if abs(saving[j]) > NOTHING
    )


def _outside_share(problem: LineUpProblem, line: Shared) -> Floats:
    printed = np.bincount(line.entry, line.share, minlength=problem.entries)
    return np.clip(1.0 - printed, 0.0, 1.0)


def _over(problem: LineUpProblem, line: Shared) -> Floats:
    return np.maximum(line.load - problem.room, 0.0)


def _costs(account: Account, line: Shared, outside: Floats) -> CostSplit:
    deep, problem, at = account.deep, account.problem, list(line.lineup)
    column = np.searchsorted(account.mountings, line.mounting)
    parts = parts_of(deep.terms, deep.lots.rows(slice(None), 2), account.prices)
    shape = deep.usable.shape
    sums = {name: float(np.broadcast_to(part, shape)[line.entry, column] @ line.share) for name, part in parts.items()}
    sums["late"] += float(_over(problem, line) @ problem.overload)
    sums["outside"] = float(outside @ problem.outside)
    sums["change"], sums["purchase"] = float(account.change[at].sum()), float(account.purchase[at].sum())
    return CostSplit(**sums, total=sum(sums.values()))


def _mounted(account: Account, line: Shared) -> tuple[Mounted, ...]:
    problem, pool = account.problem, account.pool
    spent = problem.hours[line.entry, line.mounting] * line.share
    hours = np.bincount(line.mounting, spent, minlength=problem.mountings)
    found = []
    for k in line.lineup:
        machine, kind = pool.mounted(k)
        found.append(
            Mounted(
                machine_id=machine.id,
                nozzle=kind.name,
                bore_mm=kind.sample.bore_mm,
                tip=kind.sample.tip,
                hours=float(hours[k]),
                is_new=k not in pool.today,
                nozzle_ids=kind.nozzle_ids,
            )
        )
    return tuple(found)


def _loads(account: Account, line: Shared) -> tuple[MachineLoad, ...]:
    rows = zip(line.load.tolist(), account.problem.room.tolist(), line.rent.tolist(), strict=True)
    return tuple(
        MachineLoad(machine_id=machine.id, hours=load, room_h=room, rent=rent)
        for machine, (load, room, rent) in zip(account.pool.machines, rows, strict=True)
    )


def _mostly(account: Account, line: Shared, j: int) -> str:
    """Where the larger part of an entry prints."""
    mine = line.entry == j
    if line.share[mine].sum() < 0.5:
        return "bought outside"
    k = int(line.mounting[mine][line.share[mine].argmax()])
    machine, kind = account.pool.mounted(k)
    return f"{machine.name}, {kind.name} ({kind.sample.bore_mm:g} mm)"


COST_NAMES = tuple(one.name for one in fields(CostSplit))

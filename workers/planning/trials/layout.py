"""Laying out a trial: blocks of machine and spool, the bores in each, and the order in which each machine prints.

A spool holds one material, so a block has one machine, one spool and one material. Each replicate of a block prints
its bores in drawn order, each with every part of the trial, the replicates of a block follow each other, and the blocks
of a machine come in drawn order.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

from workers.model.errors import FieldProblem, InvalidError
from workers.model.fleet import Machine, Nozzle, Spool
from workers.model.part import GeometrySummary
from workers.model.shop import Shop
from workers.model.trial import BoreLeftOut, TrialPlan, TrialRun
from workers.planning.trials.design import Place, chosen_bores, counts_of, efficiency, is_connected
from workers.planning.trials.draw import shuffled
from workers.planning.trials.foreseen import Foreseen, foresee

MOST_RUNS = 400
_Key = tuple[str, str, int]  # machine, material, number of the bore
_All = Mapping[_Key, tuple[Foreseen, ...]]  # piece by piece; one without a nozzle where not all can be printed


@dataclass(frozen=True, slots=True)
class Layout:
    runs: tuple[TrialRun, ...]
    efficiency: float
    left_out: tuple[BoreLeftOut, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Stand:
    """One replicate of a block, before its bores are chosen."""

    machine: Machine
    material_id: str
    spool: Spool | None
    replicate: int
    place: Place


def lay_out(shop: Shop, plan: TrialPlan, pieces: Sequence[GeometrySummary], now: float) -> Layout:
    """pieces: as the plan names them. Raises InvalidError where too little can be printed to compare the bores within
    blocks."""
    foreseen = _foresee_all(shop, plan, pieces, now)
    stands = list(_stands(shop, plan, foreseen))
    left_out = tuple(_left_out(plan, foreseen))
    _require_bores(plan, foreseen, left_out)
    places = [stand.place for stand in stands]
    chosen = chosen_bores(places, len(plan.bores_mm), plan.seed)
    counts = counts_of(places, chosen, len(plan.bores_mm))
    if not stands or not is_connected(counts):
        raise _unconnected(left_out)
    count = sum(map(len, chosen)) * len(pieces)
    if count > MOST_RUNS:
        problem = FieldProblem("/replicates", f"the trial has {count} runs", f"up to {MOST_RUNS}")
        raise InvalidError(problem.detail, fields=(problem,))
    runs = tuple(_runs(shop, plan, stands, chosen, foreseen))
    return Layout(runs, efficiency(counts), left_out, tuple(_notes(shop, plan, runs)))


def _foresee_all(shop: Shop, plan: TrialPlan, pieces: Sequence[GeometrySummary], now: float) -> _All:
    machines = {machine.id: machine for machine in shop.machines}
    return {
        (machine_id, *key): said
        for machine_id in plan.machine_ids
        for key, said in foresee(shop, plan, pieces, machines[machine_id], now).items()
    }


def _stands(shop: Shop, plan: TrialPlan, foreseen: _All) -> Iterator[_Stand]:
    """Blocks in which at least two bores can be compared, replicate by replicate; a spool gives as many as it holds."""
    blocks: dict[tuple[str, str, str | None], int] = {}
    rest = {spool.id: spool.remaining_g for spool in shop.spools}
    used: dict[str, str] = {}
    for machine_id in plan.machine_ids:
        machine = next(one for one in shop.machines if one.id == machine_id)
        for material_id in plan.material_ids:
            grams = _grams(plan, foreseen, machine_id, material_id)
            if len(grams) < 2:
                continue
            size = min(plan.runs_per_replicate or len(grams), len(grams))
            need = sum(sorted(grams.values())[-size:])
            for replicate in range(1, plan.replicates + 1):
                spool = _spool(shop, machine_id, material_id, rest, need, used)
                if spool is not None:
                    rest[spool.id] -= need
                    used[spool.id] = machine_id
                key = (machine_id, material_id, spool.id if spool else None)
                block = blocks.setdefault(key, len(blocks))
                yield _Stand(machine, material_id, spool, replicate, Place(block, tuple(sorted(grams)), size))


def _grams(plan: TrialPlan, foreseen: _All, machine_id: str, material_id: str) -> dict[int, float]:
    """Of all pieces together, by the bores that can print them."""
    each = {b: foreseen[machine_id, material_id, b] for b in range(len(plan.bores_mm))}
    return {b: sum(one.material_g for one in said) for b, said in each.items() if said[0].nozzle is not None}


def _spool(
    shop: Shop, machine_id: str, material_id: str, rest: Mapping[str, float], need: float, used: Mapping[str, str]
) -> Spool | None:
    """The one loaded there if it holds a replicate, else the one used there so far, else the fullest not in use."""
    own = [spool for spool in shop.spools if spool.material_id == material_id]
    free = [spool for spool in own if spool.machine_id in (None, machine_id) and rest[spool.id] >= need]

    def preferred(spool: Spool) -> tuple[bool, bool, bool, float, str]:
        by = used.get(spool.id)
        return spool.machine_id == machine_id, by == machine_id, by is None, rest[spool.id], spool.id

    return max(free, key=preferred, default=None)


def _runs(
    shop: Shop,
    plan: TrialPlan,
    stands: Sequence[_Stand],
    chosen: Sequence[tuple[int, ...]],
    foreseen: _All,
) -> Iterator[TrialRun]:
    number = 0
    for machine in dict.fromkeys(stand.machine for stand in stands):
        own = [i for i, stand in enumerate(stands) if stand.machine is machine]
        blocks = shuffled(dict.fromkeys(stands[i].place.block for i in own), plan.seed, "blocks", machine.id)
        made = []
        for i in sorted(own, key=lambda i: blocks.index(stands[i].place.block)):
            prints = product(chosen[i], range(len(plan.pieces)))
            for b, piece in shuffled(prints, plan.seed, "order", stands[i].place.block, stands[i].replicate):
                number += 1
                said = foreseen[machine.id, stands[i].material_id, b][piece]
                made.append(replace(_run(number, plan, stands[i], b, said), part_id=plan.pieces[piece]))
        yield from _with_setups(shop, machine, made)


def _run(number: int, plan: TrialPlan, stand: _Stand, b: int, said: Foreseen) -> TrialRun:
    return TrialRun(
        number=number,
        block=stand.place.block + 1,
        replicate=stand.replicate,
        machine_id=stand.machine.id,
        nozzle_id=said.nozzle.id if said.nozzle else "",
        material_id=stand.material_id,
        bore_mm=plan.bores_mm[b],
        bead_width_mm=said.bead_width_mm,
        layer_height_mm=said.layer_height_mm,
        print_h=said.print_h,
        setup_h=0.0,
        material_g=said.material_g,
        spool_id=stand.spool.id if stand.spool else None,
    )


def _with_setups(shop: Shop, machine: Machine, runs: Sequence[TrialRun]) -> Iterator[TrialRun]:
    """Hours of changing nozzles and material before each run, from what is on the machine now."""
    mounted = [nozzle.id for nozzle in _mounted(shop, machine)]
    loaded = {spool.material_id for spool in shop.spools if spool.machine_id == machine.id}
    material = next((run.material_id for run in runs[:1] if run.material_id in loaded), None)
    for run in runs:
        seconds = 0.0
        if run.nozzle_id not in mounted:
            seconds += machine.nozzle_change_s
            mounted = [*mounted, run.nozzle_id][-machine.nozzle_slots :]
        if run.material_id != material:
            seconds += machine.material_change_s
            material = run.material_id
        yield replace(run, setup_h=seconds / 3600.0)


def _mounted(shop: Shop, machine: Machine) -> list[Nozzle]:
    return [nozzle for nozzle in shop.nozzles if nozzle.machine_id == machine.id]


def _left_out(plan: TrialPlan, foreseen: _All) -> Iterator[BoreLeftOut]:
    for (machine_id, material_id, b), said in foreseen.items():
        if said[0].nozzle is None:
            bore = plan.bores_mm[b]
            yield BoreLeftOut(machine_id=machine_id, material_id=material_id, bore_mm=bore, reason=said[0].reason)
    for machine_id in plan.machine_ids:
        for material_id in plan.material_ids:
            alone = list(_grams(plan, foreseen, machine_id, material_id))
            if len(alone) == 1:
                why = "it is the only bore there, so nothing can be compared within a block"
                bore = plan.bores_mm[alone[0]]
                yield BoreLeftOut(machine_id=machine_id, material_id=material_id, bore_mm=bore, reason=why)


def _require_bores(plan: TrialPlan, foreseen: _All, left_out: Sequence[BoreLeftOut]) -> None:
    """Raises InvalidError at each bore that nothing can print."""
    problems = []
    for b, bore in enumerate(plan.bores_mm):
        if not any(said[0].nozzle for (_, _, other), said in foreseen.items() if other == b):
            why = next(one.reason for one in left_out if one.bore_mm == bore)
            problems.append(FieldProblem(f"/bores_mm/{b}", f"no machine of the trial can print {bore:g} mm: {why}"))
    if problems:
        raise InvalidError(problems[0].detail, fields=tuple(problems))


def _unconnected(left_out: Sequence[BoreLeftOut]) -> InvalidError:
    why = f" ({left_out[0].reason})" if left_out else ""
    detail = (
        "the bores cannot be compared: no chain of machines prints them side by side, so that bore and machine "
        f"would be one and the same{why}"
    )
    return InvalidError(detail, fields=(FieldProblem("/machine_ids", detail),))


def _notes(shop: Shop, plan: TrialPlan, runs: Sequence[TrialRun]) -> Iterator[str]:
    if any(run.spool_id is None for run in runs):
        yield "No free spool holds a whole replicate for some blocks: have one ready, and name it with each result."
    shared = {run.nozzle_id for run in runs if len({o.machine_id for o in runs if o.nozzle_id == run.nozzle_id}) > 1}
    names = {nozzle.id: nozzle.name for nozzle in shop.nozzles}
    for nozzle_id in sorted(shared):
        yield f"{names.get(nozzle_id, nozzle_id)} is needed on more than one machine: its runs wait for each other."
    changes = sum(run.setup_h > 0.0 for run in runs)
    if changes:
        yield f"{changes} of {len(runs)} runs need a change of nozzle or material before them."
    if plan.ahead > 1:
        yield "Runs that are handed in together may be reordered by the dispatch list: the drawn order is not kept."

"""The shop page's content: what needs a hand, and what each machine carries. Pure; no HTTP, no Redis."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from workers.model.fleet import Machine, MachineState, Material, Nozzle, Spool
from workers.model.job import JobState
from workers.model.record import JobRecord
from workers.model.routing import Routing
from workers.model.shop import Shop

NEARLY_EMPTY_G = 50.0  # engineering prior: less than most parts need
NAMED_JOBS = 5  # jobs named one by one before the rest is only counted
NAMED_PAIRINGS = 4


@dataclass(frozen=True, slots=True)
class Need:
    """One thing that needs a hand: what kind, said in a sentence, and where to go (path; None: nowhere)."""

    kind: str
    sentence: str
    href: str | None = None


@dataclass(frozen=True, slots=True)
class SlotView:
    """What sits at one slot of a machine; None: nothing."""

    slot: int
    nozzle: Nozzle | None
    spool: Spool | None
    material: Material | None


@dataclass(frozen=True, slots=True)
class MachineView:
    machine: Machine
    up: bool
    slots: tuple[SlotView, ...]
    routed: int


@dataclass(frozen=True, slots=True)
class ShopView:
    """routed_read: of how many routed jobs the routing was looked at."""

    needs: tuple[Need, ...]
    machines: tuple[MachineView, ...]
    counts: tuple[tuple[JobState, int], ...]
    routed_read: int


def shop_view(
    shop: Shop,
    counts: Mapping[JobState, int],
    stuck: Sequence[JobRecord],
    routings: Sequence[Routing],
) -> ShopView:
    """``stuck``: jobs that are unroutable or failed. ``routings``: those of the newest routed jobs."""
    routed_on: dict[str, int] = {}
    for routing in routings:
        if routing.chosen is not None:
            routed_on[routing.chosen.machine_id] = routed_on.get(routing.chosen.machine_id, 0) + 1
    return ShopView(
        needs=(
            *_machines_down(shop),
            *_stuck_jobs(stuck, counts),
            *_short_spools(shop),
            *_uncalibrated(shop, routings),
            *_bare_machines(shop),
        ),
        machines=tuple(_machine_view(shop, machine, routed_on.get(machine.id, 0)) for machine in shop.machines),
        counts=tuple((state, counts.get(state, 0)) for state in JobState),
        routed_read=len(routings),
    )


def _machines_down(shop: Shop) -> list[Need]:
    return [
        Need("Machine down", f"{m.name}: {m.state_reason or 'no reason was given'}.")
        for m in shop.machines
        if m.state is not MachineState.UP
    ]


def _stuck_jobs(stuck: Sequence[JobRecord], counts: Mapping[JobState, int]) -> list[Need]:
    needs = []
    for state, kind in ((JobState.UNROUTABLE, "No way to print"), (JobState.FAILED, "Not worked out")):
        named = [job for job in stuck if job.state is state][:NAMED_JOBS]
        needs += [Need(kind, job.spec.name, f"/jobs/{job.id}") for job in named]
        rest = counts.get(state, 0) - len(named)
        if rest > 0:
            needs.append(Need(kind, f"{rest} more", f"/queue?state={state.value}"))
    return needs


def _short_spools(shop: Shop) -> list[Need]:
    materials, machines = {m.id: m for m in shop.materials}, {m.id: m for m in shop.machines}
    needs = []
    for spool in shop.spools:
        if spool.remaining_g >= NEARLY_EMPTY_G:
            continue
        machine = machines.get(spool.machine_id or "")
        place = f"on {machine.name}" if machine else "on the shelf"
        left = "is empty" if spool.remaining_g <= 0 else f"holds {spool.remaining_g:.0f} g"
        material = materials.get(spool.material_id)
        needs.append(Need("Spool", f"{material.name if material else spool.material_id} {place} {left}."))
    return needs


def _uncalibrated(shop: Shop, routings: Sequence[Routing]) -> list[Need]:
    used: dict[tuple[str, str, str], int] = {}
    for chosen in (r.chosen for r in routings):
        if chosen is not None and not chosen.calibrated:
            key = (chosen.machine_id, chosen.nozzle_id, chosen.material_id)
            used[key] = used.get(key, 0) + 1
    names = names_of(shop)
    most = sorted(used.items(), key=lambda item: (-item[1], item[0]))
    rest = len(most) - NAMED_PAIRINGS
    more = [Need("Not calibrated", f"{rest} more pairings that routed jobs rely on.")] if rest > 1 else []
    shown = most[:NAMED_PAIRINGS] if more else most
    return [
        Need(
            "Not calibrated",
            f"{names[m]}, {names[n]}, {names[a]}: {jobs} routed {'job relies' if jobs == 1 else 'jobs rely'} on it.",
        )
        for (m, n, a), jobs in shown
    ] + more


def _bare_machines(shop: Shop) -> list[Need]:
    mounted = {n.machine_id for n in shop.nozzles}
    return [Need("No nozzle", f"{m.name} has none mounted.") for m in shop.machines if m.id not in mounted]


def _machine_view(shop: Shop, machine: Machine, routed: int) -> MachineView:
    materials = {m.id: m for m in shop.materials}
    nozzles = {n.slot: n for n in shop.nozzles if n.machine_id == machine.id}
    spools = {s.slot: s for s in shop.spools if s.machine_id == machine.id}
    slots = []
    for slot in range(1, machine.nozzle_slots + 1):
        spool = spools.get(slot)
        slots.append(SlotView(slot, nozzles.get(slot), spool, materials.get(spool.material_id) if spool else None))
    return MachineView(machine, machine.state is MachineState.UP, tuple(slots), routed)


class Names(dict[str, str]):
    """Names by id; what is not in the shop any more goes by its id."""

    def __missing__(self, key: str) -> str:
        return key


def names_of(shop: Shop) -> Names:
    """Names of machines, nozzles and materials by their ids; a clash shows the first kind's name."""
    things: list[Material | Nozzle | Machine] = [*shop.materials, *shop.nozzles, *shop.machines]
    return Names({thing.id: thing.name for thing in things})

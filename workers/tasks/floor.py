"""The shop floor as one task sees it: each machine's list, read when it is first asked for."""

from __future__ import annotations

from workers.model.dispatch import Listed
from workers.model.fleet import MachineState
from workers.model.routing import Candidate
from workers.model.shop import Shop
from workers.planning.dispatch import Bench, Sequencer, bench_of, listed_anew
from workers.store.stores import Stores


class Floor:
    """Lists grow here as jobs are put on them, so that the next job sees them."""

    def __init__(self, stores: Stores, shop: Shop, now: float) -> None:
        self._stores, self._shop, self.now = stores, shop, now
        self._machines = {one.id: one for one in shop.machines if one.state is MachineState.UP}
        self._mounted = {(nozzle.machine_id, nozzle.id) for nozzle in shop.nozzles}
        self._lists: dict[str, Sequencer] = {}
        self._benches: dict[str, Bench] = {}

    def can_print(self, candidate: Candidate) -> bool:
        """Whether its machine is up and carries its nozzle."""
        place = (candidate.machine_id, candidate.nozzle_id)
        return candidate.machine_id in self._machines and place in self._mounted

    def sequencer(self, machine_id: str) -> Sequencer:
        """Of a machine that is up."""
        if machine_id not in self._lists:
            seen = self._stores.dispatch.get(machine_id)
            bench = bench_of(self._shop, self._machines[machine_id], seen.listed, seen.claim, self.now)
            self._benches[machine_id] = bench
            self._lists[machine_id] = Sequencer(bench, seen.listed)
        return self._lists[machine_id]

    def busy_h(self, candidate: Candidate) -> float:
        """Hours until its machine has printed its list."""
        return self.sequencer(candidate.machine_id).end_h

    def without(self, machine_id: str, job_id: str) -> Sequencer:
        """A list as it would be with one job taken off."""
        rest = [one for one in self.sequencer(machine_id).listed if one.entry.job_id != job_id]
        return Sequencer(self._benches[machine_id], rest)

    def cost(self, machine_id: str, listed: Listed, candidate: Candidate, *, here: bool) -> float:
        """What a bound job costs the lists, weighted hours: ``here``, as it stands, or with another candidate."""
        if here:
            seen = self.sequencer(machine_id)
            return seen.cost().total - self.without(machine_id, listed.entry.job_id).cost().total
        anew = listed_anew(listed, candidate)
        if candidate.machine_id == machine_id:
            return self.without(machine_id, listed.entry.job_id).rise(anew)
        return self.sequencer(candidate.machine_id).rise(anew)

    def forget(self, *machine_ids: str) -> None:
        """Read these lists anew when they are next asked for."""
        for one in machine_ids:
            self._lists.pop(one, None)

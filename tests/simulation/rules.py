"""Two rules for a day: the naive one, first come to the first free machine; and the service's own, asked over HTTP."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from flask.testing import FlaskClient

from tests.simulation.day import Arrival, Plan, Work
from tests.store.dispatching import lapse_now
from workers import tasks
from workers.model.fleet import Machine, MachineState, Nozzle, Spool
from workers.model.job import JobState
from workers.model.outcome import Report
from workers.model.routing import Candidate
from workers.model.shop import Shop
from workers.planning.mounting import load, mount, unload, unmount
from workers.routing.decide import Router
from workers.store.stores import Stores


class FirstFree:
    """Jobs in the order in which they came; each copy goes to the first free machine that can print it."""

    def __init__(self, plan: Plan) -> None:
        self._shop = Shop(
            revision=1, machines=plan.machines, nozzles=plan.nozzles, materials=plan.materials, spools=plan.spools
        )
        self._router = Router(self._shop)
        self._ranked: dict[str, tuple[Candidate, ...]] = {}
        self._waiting: list[tuple[Arrival, int]] = []
        self._left: dict[str, int] = {}
        self._tries: dict[tuple[str, int], int] = {}

    def arrive(self, arrival: Arrival) -> None:
        copies = range(1, arrival.spec.quantity + 1)
        self._waiting += [(arrival, copy) for copy in copies]
        self._left[arrival.name] = len(copies)

    def next_for(self, machine_id: str) -> Work | None:
        for at, (arrival, copy) in enumerate(self._waiting):
            candidate = next((c for c in self._ranked_for(arrival) if c.machine_id == machine_id), None)
            if candidate is not None:
                del self._waiting[at]
                return Work(machine_id, arrival.name, copy, self._tries.get((arrival.name, copy), 0), candidate)
        return None

    def _ranked_for(self, arrival: Arrival) -> tuple[Candidate, ...]:
        if arrival.name not in self._ranked:
            routing = self._router.route([arrival.spec])[0]
            self._ranked[arrival.name] = (*(() if routing.chosen is None else (routing.chosen,)), *routing.others)
            self._arrival_of = {**getattr(self, "_arrival_of", {}), arrival.name: arrival}
        return self._ranked[arrival.name]

    def began(self, work: Work) -> None:
        key = (work.job, work.copy)
        self._tries[key] = self._tries.get(key, 0) + 1

    def halfway(self, work: Work) -> None:
        pass

    def loaded(self, machine_id: str, material_id: str) -> None:
        pass

    def ended(self, work: Work, report: Report) -> bool:
        if not report.accepted:
            self.lost(work)
            return False
        self._left[work.job] -= 1
        return self._left[work.job] == 0

    def lost(self, work: Work) -> None:
        """Back to where it stood: jobs sort by when they came."""
        self._waiting.append((self._arrival_of[work.job], work.copy))
        self._waiting.sort(key=lambda one: (one[0].at_h, one[1]))

    def went(self, machine_id: str, *, up: bool) -> None:
        pass

    def nozzle_changed(self, machine_id: str, nozzle_id: str) -> None:
        nozzles = tuple(_as_mounted(one, machine_id, nozzle_id) for one in self._shop.nozzles)
        self._shop = replace(self._shop, nozzles=nozzles, revision=self._shop.revision + 1)
        self._router = Router(self._shop)
        self._ranked.clear()


def _as_mounted(nozzle: Nozzle, machine_id: str, nozzle_id: str) -> Nozzle:
    if nozzle.id == nozzle_id:
        return replace(nozzle, machine_id=machine_id, slot=1)
    return replace(nozzle, machine_id=None, slot=None) if nozzle.machine_id == machine_id else nozzle


class Service:
    """The service itself: jobs and claims over HTTP, its tasks after every event, the shop changed as people would."""

    def __init__(self, plan: Plan, client: FlaskClient, stores: Stores, moment: Any) -> None:
        self._client, self._stores, self._moment = client, stores, moment
        self._names: dict[str, str] = {}
        self._tries: dict[tuple[str, int], int] = {}
        self.moved = 0
        for thing in (*plan.machines, *plan.materials, *plan.nozzles, *plan.spools):
            stores.fleet.create(thing)
        stores.inbox.prepare()

    def arrive(self, arrival: Arrival) -> None:
        spec = replace(arrival.spec, due_at=self._moment(arrival.due_h))
        [job_id] = self._stores.jobs.accept([spec])
        self._names[job_id] = arrival.name
        tasks.drain_and_bind(self._stores, "day")
        self._follow()

    def next_for(self, machine_id: str) -> Work | None:
        body = {"machine_id": machine_id, "claimant": f"agent on {machine_id}", "lease_s": 600}
        answer = self._client.post("/v1/claims", json=body)
        if answer.status_code == 204:
            return None
        assert answer.status_code == 201, answer.text
        claim = answer.json
        routing = self._stores.jobs.routing(claim["job_id"])
        assert routing is not None
        place = (claim["machine_id"], claim["nozzle_id"], claim["material_id"])
        ranked = (*(() if routing.chosen is None else (routing.chosen,)), *routing.others)
        candidate = next(c for c in ranked if (c.machine_id, c.nozzle_id, c.material_id) == place)
        name = self._names[claim["job_id"]]
        return Work(machine_id, name, claim["copy"], self._tries.get((name, claim["copy"]), 0), candidate, claim["id"])

    def began(self, work: Work) -> None:
        key = (work.job, work.copy)
        self._tries[key] = self._tries.get(key, 0) + 1
        self._renew(work, 0.001)

    def halfway(self, work: Work) -> None:
        self._renew(work, 0.5)

    def _renew(self, work: Work, progress: float) -> None:
        answer = self._client.post(f"/v1/claims/{work.claim_id}/renewal", json={"progress": progress, "lease_s": 600})
        assert answer.status_code == 200, answer.text

    def loaded(self, machine_id: str, material_id: str) -> None:
        """The operator takes the spool off the machine and puts the other on."""
        fleet = self._stores.fleet
        shop = fleet.snapshot()
        for one in shop.spools:
            if one.machine_id == machine_id:
                fleet.change("unloaded", lambda now, one=one: unload(now, one.id, one.version))  # type: ignore[misc]
        wanted = fleet.get(Spool, f"s-{machine_id}-{material_id}")
        fleet.change("loaded", lambda now: load(now, wanted.id, machine_id, 1, wanted.version))

    def ended(self, work: Work, report: Report) -> bool:
        body = {"accepted": report.accepted, "print_h": report.print_h, "clogs": report.clogs}
        if not report.accepted:
            body |= {"scrap_reason": report.scrap_reason, "extruded_cm3": report.extruded_cm3, "remake": True}
        answer = self._client.post(f"/v1/claims/{work.claim_id}/finish", json=body)
        assert answer.status_code == 200, answer.text
        self._follow()
        return self._stores.jobs.get(answer.json["job_id"]).state is JobState.DONE

    def lost(self, work: Work) -> None:
        """Every other agent dies without a word, so that its lease lapses; the rest give the copy back."""
        if work.copy % 2:
            lapse_now(self._stores, work.claim_id)
            self._stores.claims.lapse()
        else:
            answer = self._client.post(f"/v1/claims/{work.claim_id}/giving-back", json={"reason": "broke down"})
            assert answer.status_code == 200, answer.text

    def went(self, machine_id: str, *, up: bool) -> None:
        state = MachineState.UP if up else MachineState.DOWN
        machine = self._stores.fleet.get(Machine, machine_id)
        self._stores.fleet.replace(replace(machine, state=state), machine.version, kind=state.value)
        self._follow()

    def nozzle_changed(self, machine_id: str, nozzle_id: str) -> None:
        fleet = self._stores.fleet
        for one in fleet.snapshot().nozzles:
            if one.machine_id == machine_id:
                fleet.change("unmounted", lambda now, one=one: unmount(now, one.id, one.version))  # type: ignore[misc]
        version = fleet.get(Nozzle, nozzle_id).version
        fleet.change("mounted", lambda now: mount(now, nozzle_id, machine_id, 1, version))
        self._follow()

    def _follow(self) -> None:
        """What the watch does every second."""
        tasks.reconcile(self._stores)
        tasks.drain_and_bind(self._stores, "day")
        self.moved += tasks.follow_changes(self._stores)

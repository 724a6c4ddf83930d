"""Machine agents of a running service, for tests that break it: they claim, tell progress, finish, give back or die.

Each takes from a 2xx what it has been promised; what was not answered is asked again.
"""

from __future__ import annotations

import random
import threading
import uuid
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import Any

import redis

from tests.service import api_bodies as bodies
from tests.service.customers import call
from tests.service.processes import wait_until
from workers.model.dispatch import Claim
from workers.model.fleet import Machine, MachineState
from workers.model.job import JobState
from workers.model.outcome import OutcomeState, Report
from workers.store.claims import BusyError, Taking, new_claim_id
from workers.store.stores import Stores

MACHINES = ("alder", "birch", "cedar")
LEASE_S = 5.0  # the shortest that can be asked for


def stock(port: int) -> None:
    """Three machines alike, each with a nozzle and a spool of one material."""
    wanted = [("/v1/materials", bodies.material())]
    for one in MACHINES:
        wanted.append(("/v1/machines", bodies.machine(id=one, name=one)))
        wanted.append(("/v1/nozzles", bodies.nozzle(id=f"n-{one}", name=one, machine_id=one, slot=1)))
        wanted.append(("/v1/spools", bodies.spool(id=f"s-{one}", remaining_g=40_000, machine_id=one, slot=1)))
    for path, body in wanted:
        status, answer = call(port, "POST", path, body)
        assert status == 201, answer


@dataclass
class Agents:
    """One thread a machine, and one that moves jobs and takes a machine down and up: the service moves some too.

    finished: (job, copy), once for each finish that was acknowledged.
    """

    port: int
    seed: int
    finished: Counter[tuple[str, int]] = field(default_factory=Counter)
    moves: int = 0
    states: int = 0
    given_back: int = 0
    left: int = 0
    answers: Counter[int] = field(default_factory=Counter)
    _over: threading.Event = field(default_factory=threading.Event)
    _threads: list[threading.Thread] = field(default_factory=list)

    def __enter__(self) -> Agents:
        self._threads = [threading.Thread(target=self._work, args=(one,), daemon=True) for one in MACHINES]
        self._threads.append(threading.Thread(target=self._move_about, daemon=True))
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        for thread in self._threads:
            thread.join(60)

    def _ask(self, method: str, path: str, body: Any = None, **headers: str) -> tuple[int, Any]:
        """Until there is an answer that is not a failure of the service."""
        while True:
            status, answer = call(self.port, method, path, body, **headers)
            self.answers[status] += 1
            if (status and status < 500) or self._over.wait(0.05):
                return status, answer

    def _work(self, machine_id: str) -> None:
        rng = random.Random(f"{self.seed} {machine_id}")
        while not self._over.is_set():
            body = {"machine_id": machine_id, "claimant": f"agent on {machine_id}", "lease_s": LEASE_S}
            status, claim = self._ask("POST", "/v1/claims", body, Idempotency_Key=f'"{uuid.uuid4()}"')
            if status != 201:
                self._over.wait(0.05)  # nothing waits, or an earlier claim of this machine has not lapsed yet
                continue
            self._print(claim, rng)

    def _print(self, claim: dict[str, Any], rng: random.Random) -> None:
        path, fate = f"/v1/claims/{claim['id']}", rng.random()
        self._ask("POST", f"{path}/renewal", {"progress": 0.5})
        if fate < 0.05:
            self.left += 1  # the agent is gone: the lease lapses
        elif fate < 0.2:
            status, _ = self._ask("POST", f"{path}/giving-back", {"reason": "the spool ran out"})
            self.given_back += status == 200
        else:
            status, _ = self._ask("POST", f"{path}/finish", {"accepted": True})
            self.finished[claim["job_id"], claim["copy"]] += status == 200

    def _set_state(self, state: str) -> None:
        status, _ = self._ask("PUT", f"/v1/machines/{MACHINES[-1]}/state", {"state": state}, If_Match="*")
        self.states += status == 200

    def _move_about(self) -> None:
        rng, turn = random.Random(f"{self.seed} moves"), 0
        while not self._over.is_set():
            turn += 1
            if turn % 5 == 0:
                self._set_state("down" if turn % 10 else "up")
            here, there = rng.sample(MACHINES, 2)
            status, seen = self._ask("GET", f"/v1/machines/{here}/dispatch-list")
            entries = [] if status != 200 else [one for one in seen["entries"] if not one["printing"]]
            if entries:
                body = {"job_id": rng.choice(entries)["job_id"], "machine_id": there, "position": 1}
                status, _ = self._ask("POST", f"/v1/machines/{here}/dispatch-list/moves", body, If_Match="*")
                self.moves += status == 200
            self._over.wait(0.03)


def bring_up(stores: Stores) -> None:
    machine = stores.fleet.get(Machine, MACHINES[-1])
    stores.fleet.replace(replace(machine, state=MachineState.UP), machine.version, kind="up")


def print_what_is_left(stores: Stores) -> Counter[tuple[str, int]]:
    """Claim and finish everything, over the store; the copies that this ended."""
    ended: Counter[tuple[str, int]] = Counter()

    def nothing_left() -> bool:
        for machine_id in MACHINES:
            with suppress(BusyError, redis.RedisError):
                while True:
                    taking = Taking(machine_id=machine_id, claimant="last", lease_s=60.0, claim_id=new_claim_id())
                    claim = stores.claims.take(taking)
                    if not isinstance(claim, Claim):
                        break
                    stores.claims.finish(claim.id, Report(accepted=True))
                    ended[claim.job_id, claim.copy] += 1
        counts = stores.jobs.counts()
        return {state for state, count in counts.items() if count} <= {JobState.DONE}

    wait_until(nothing_left, "every copy printed")
    return ended


def require_sound_lists(stores: Stores, job_ids: list[str]) -> None:
    """Each job is on one list exactly while it is bound or prints, and each machine and copy has one claimant."""
    lists = [stores.dispatch.get(one) for one in MACHINES]
    on_lists = Counter(one.entry.job_id for each in lists for one in each.listed)
    records = stores.jobs.get_many(job_ids)
    open_jobs = [r.id for r in records if r is not None and r.state in (JobState.BOUND, JobState.PRINTING)]
    assert on_lists == Counter(open_jobs)
    held = stores.claims.held()
    assert max(Counter(claim.machine_id for claim in held).values(), default=1) == 1
    assert max(Counter((claim.job_id, claim.copy) for claim in held).values(), default=1) == 1


def require_each_copy_once(stores: Stores, job_ids: list[str], quantity: int) -> None:
    """Every copy ended once, by one claim, with one outcome and its filament taken once."""
    wait_until(lambda: not stores.claims.to_report(), "every outcome recorded")
    events = _all_events(stores)
    finishes = Counter((e.subject, e.data["copy"]) for e in events if e.kind == "claim.finished")
    assert finishes == Counter({(f"job/{one}", copy): 1 for one in job_ids for copy in range(1, quantity + 1)})
    outcomes = list(stores.outcomes.newest_first())
    assert len(outcomes) == len(finishes)
    assert Counter(one.job_id for one in outcomes) == Counter(dict.fromkeys(job_ids, quantity))
    assert {one.state for one in outcomes} == {OutcomeState.LEARNT}
    taken: Counter[str] = Counter()
    for one in outcomes:
        taken[one.spool_id or "none"] += one.spool_g
    left = {one.id: one.remaining_g for one in stores.fleet.snapshot().spools}
    assert set(taken) <= set(left)
    assert all(abs(40_000 - left[one] - taken[one]) < 1e-3 for one in left)


def _all_events(stores: Stores) -> list[Any]:
    found: list[Any] = []
    while more := stores.events.after(found[-1].id if found else "0", 5000):
        found += more
    return found

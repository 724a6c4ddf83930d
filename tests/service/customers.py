"""Customers of a running service, for tests that break it: they hand in, note what was acknowledged, and try again."""

from __future__ import annotations

import http.client
import json
import threading
import uuid
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

import redis

from tests.service import api_bodies as bodies
from tests.service.processes import wait_until
from workers.store.stores import Stores, open_stores


def call(
    port: int, method: str, path: str, body: Any = None, *, host: str = "127.0.0.1", **headers: str
) -> tuple[int, Any]:
    """One request; (0, None) where the connection broke. Nothing is tried again here."""
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    connection = http.client.HTTPConnection(host, port, timeout=20)
    try:
        connection.request(method, path, json.dumps(body), {"Content-Type": "application/json", **named})
        answer = connection.getresponse()
        return answer.status, json.loads(answer.read() or b"null")
    except (OSError, http.client.HTTPException, json.JSONDecodeError):
        return 0, None
    finally:
        connection.close()


def get_text(port: int, path: str, host: str = "127.0.0.1", **headers: str) -> str:
    """The text behind an address; empty where there is no answer, or a refusal."""
    connection = http.client.HTTPConnection(host, port, timeout=20)
    try:
        connection.request("GET", path, headers=headers)
        answer = connection.getresponse()
        text = answer.read().decode()
    except (OSError, http.client.HTTPException):
        return ""
    else:
        return text if answer.status == 200 else ""
    finally:
        connection.close()


def stock(port: int) -> None:
    """One machine with a mounted 0.4 nozzle, one material on one spool."""
    for path, body in (
        ("/v1/machines", bodies.machine()),
        ("/v1/nozzles", bodies.nozzle(machine_id="alder", slot=1)),
        ("/v1/materials", bodies.material()),
        ("/v1/spools", bodies.spool(machine_id="alder", slot=1)),
    ):
        status, answer = call(port, "POST", path, body)
        assert status == 201, answer


CUSTOMERS = 3


@dataclass
class Customers:
    """Threads that hand jobs in until told to stop. acknowledged: every job id that came with a 202.

    batch: jobs in every fourth request; pause_s: after each that was acknowledged.
    """

    port: int
    batch: int = 40
    pause_s: float = 0.0
    acknowledged: list[str] = field(default_factory=list)
    refused: Counter[int] = field(default_factory=Counter)
    _over: threading.Event = field(default_factory=threading.Event)
    _threads: list[threading.Thread] = field(default_factory=list)

    def __enter__(self) -> Customers:
        self._threads = [threading.Thread(target=self._hand_in, args=(i,), daemon=True) for i in range(CUSTOMERS)]
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        for thread in self._threads:
            thread.join(60)

    def _hand_in(self, number: int) -> None:
        """Batches and single jobs in turn; what was not answered is asked again with the same key."""
        serial = 0
        while not self._over.is_set():
            serial += 1
            name, key = f"c{number}-{serial}", f'"{uuid.uuid4()}"'
            if serial % 4:
                self._insist("/v1/jobs", bodies.job(name=name), key)
            else:
                items = [bodies.job(name=f"{name}-{i}") for i in range(self.batch)]
                self._insist("/v1/job-batches", {"jobs": items}, key)

    def _insist(self, path: str, body: Any, key: str) -> None:
        while True:
            status, answer = call(self.port, "POST", path, body, Idempotency_Key=key)
            if status == 202:
                rows = answer.get("items", [answer])
                self.acknowledged += [row["id"] for row in rows]
                self._over.wait(self.pause_s)
                return
            self.refused[status] += 1
            if self._over.wait(0.05):
                return


def opened(url: str) -> Stores:
    return open_stores(redis.Redis.from_url(url))


def require_each_routed_once(stores: Stores, acknowledged: list[str]) -> None:
    """Every acknowledged job is there, routed, and told so exactly once; no job was made twice by a second try.

    Each is bound to exactly one dispatch list.
    """

    def all_done() -> bool:
        with suppress(redis.RedisError):
            return stores.inbox.waiting() == 0 and not stores.dispatch.to_bind(1)
        return False

    wait_until(all_done, "an empty inbox and nothing left to bind")
    assert len(set(acknowledged)) == len(acknowledged)
    records = stores.jobs.get_many(acknowledged)
    missing = [job_id for job_id, record in zip(acknowledged, records, strict=True) if record is None]
    assert not missing
    states = Counter(record.state.value for record in records if record is not None)
    assert states == {"bound": len(acknowledged)}
    for kind in ("job.routed", "job.bound"):
        count = told(stores, kind)
        assert {count[f"job/{job_id}"] for job_id in acknowledged} == {1}
    lists = [stores.dispatch.get(machine.id) for machine in stores.fleet.snapshot().machines]
    on_lists = Counter(one.entry.job_id for each in lists for one in each.listed)
    assert {on_lists[job_id] for job_id in acknowledged} == {1}
    names = Counter(record.spec.name for record in records if record is not None)
    assert max(names.values()) == 1


def told(stores: Stores, kind: str) -> Counter[str]:
    """How often each job was said to be so, over the whole event stream."""
    told: Counter[str] = Counter()
    last = "0"
    while events := stores.events.after(last, 5000):
        told.update(event.subject for event in events if event.kind == kind)
        last = events[-1].id
    return told

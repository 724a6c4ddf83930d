"""The service on five hosts, set up as docker-compose.yml does: the store, the API, two routing workers, a customer."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import redis
import yaml
from prometheus_client.parser import text_string_to_metric_families

from tests.service import api_bodies as bodies
from tests.service.customers import call, get_text
from tests.service.hosts import Host, Networks
from tests.service.processes import Running, wait_until
from workers.store.inbox import GROUP
from workers.store.stores import Stores, open_stores

COMPOSE = yaml.safe_load((Path(__file__).parents[2] / "docker-compose.yml").read_text())
SERVICES = COMPOSE["services"]
PORT = 8787
CLI = (sys.executable, "-m", "service.cli")


def compose_environment(redis_address: str) -> dict[str, str]:
    """What docker-compose.yml gives each of our services; its host name of the store becomes an address."""
    given = {name: re.sub(r"\$\{\w+:-(\w*)\}", r"\1", text) for name, text in SERVICES["api"]["environment"].items()}
    return given | {"BOREWRIGHT_REDIS_URL": given["BOREWRIGHT_REDIS_URL"].replace("//redis:", f"//{redis_address}:")}


@dataclass
class Fleet:
    """handed_in: the ids of all jobs acknowledged so far."""

    store: Host
    api: Host
    workers: dict[str, Host]
    customer: Host
    environment: dict[str, str]
    folder: Path
    key: str = ""
    processes: dict[str, Running] = field(default_factory=dict)
    handed_in: list[str] = field(default_factory=list)

    def ask(self, method: str, path: str, body: Any = None) -> tuple[int, Any]:
        """One request of the customer, who waits 20 s and no longer; (0, None) without an answer."""

        def request() -> tuple[int, Any]:
            host, bearer = self.api.addresses["front"], f"Bearer {self.key}"
            return call(PORT, method, path, body, host=host, Authorization=bearer)

        answer: tuple[int, Any] = self.customer.inside(request)
        return answer

    def hand_in(self, count: int) -> list[str]:
        """One batch; gives the ids of its jobs."""
        at = len(self.handed_in)
        jobs = [bodies.job(name=f"job {at + i}") for i in range(count)]
        status, answer = self.ask("POST", "/v1/job-batches", {"jobs": jobs})
        assert status == 202, answer
        ids = [row["id"] for row in answer["items"]]
        self.handed_in += ids
        return ids

    def metrics(self) -> dict[tuple[str, ...], float]:
        """(name, label values ...) -> value."""

        def read() -> str:
            return get_text(PORT, "/metrics", self.api.addresses["front"], Authorization=f"Bearer {self.key}")

        families = text_string_to_metric_families(self.customer.inside(read))
        return {(one.name, *one.labels.values()): one.value for family in families for one in family.samples}

    def routing_workers(self) -> float:
        return self.metrics().get(("borewright_workers", "routing"), 0.0)

    def at_the_store(self, work: Any) -> Any:
        """work(stores), done on the store's own host."""

        def with_stores() -> Any:
            with redis.Redis(host="127.0.0.1") as client:
                return work(open_stores(client))

        return self.store.inside(with_stores)

    def is_healthy(self, worker: str) -> bool:
        """What the health check of docker-compose.yml says on that host."""
        _, _, *arguments = SERVICES["worker"]["healthcheck"]["test"]
        done = subprocess.run(
            self.workers[worker].command(*CLI, *arguments),
            env=_environ(self.environment),
            capture_output=True,
            check=False,
        )
        return done.returncode == 0

    def all_bound(self, ids: list[str]) -> bool:
        def look(stores: Stores) -> bool:
            return all(one is not None and one.state.value == "bound" for one in stores.jobs.get_many(ids))

        return bool(self.at_the_store(look))

    @contextmanager
    def cut_in_mid_batch(self, worker: str, cut: AbstractContextManager[None], batch: int = 700) -> Iterator[None]:
        """Hand in until the worker has jobs in hand, and cut it off before they are committed."""
        for _ in range(20):
            self.hand_in(batch)
            with ExitStack() as stack:
                if self.at_the_store(lambda stores: self._cut_when_busy(stores, worker, stack, cut)):
                    yield
                    return
        raise AssertionError(f"{worker} was never caught with jobs in hand")

    def _cut_when_busy(self, stores: Stores, worker: str, stack: ExitStack, cut: AbstractContextManager[None]) -> bool:
        while not in_hand(stores, worker):
            if stores.inbox.waiting() == 0:
                return False
        stack.enter_context(cut)
        return in_hand(stores, worker) > 0  # nothing of it comes through any more


def in_hand(stores: Stores, worker: str) -> int:
    """Jobs that the host's worker has taken and not committed."""
    found: Any = stores.client.xinfo_consumers(stores.keys.inbox, GROUP)
    return sum(int(one["pending"]) for one in found if one["name"].startswith(f"{worker}.".encode()))


def _environ(given: dict[str, str]) -> dict[str, str]:
    return {**os.environ, **given}


@contextmanager
def fleet(folder: Path, redis_binary: Path) -> Iterator[Fleet]:
    """Everything up and stocked: one machine, one nozzle, one material."""
    with ExitStack() as stack:
        networks = stack.enter_context(Networks("store", "front"))
        store = networks.host("redis", 2, "store")
        made = Fleet(
            store=store,
            api=networks.host("api", 3, "store", "front"),
            workers={name: networks.host(name, number, "store") for number, name in ((4, "wkr-a"), (5, "wkr-b"))},
            customer=networks.host("customer", 9, "front"),
            environment=compose_environment(store.addresses["store"]),
            folder=folder,
        )
        _start(made, stack, redis_binary)
        yield made


def _start(made: Fleet, stack: ExitStack, redis_binary: Path) -> None:
    flags = SERVICES["redis"]["command"][1:]
    # The image listens to other hosts by itself; a bare server has to be told.
    network = ("--protected-mode", "no", "--bind", "0.0.0.0", "--dir", str(made.folder))

    def start(name: str, host: Host, *command: str) -> None:
        process = host.running(list(command), made.folder / f"{name}.log", **made.environment)
        made.processes[name] = stack.enter_context(process)

    start("redis", made.store, str(redis_binary), *flags, *network)
    start("api", made.api, *CLI, *SERVICES["api"]["command"])
    for name, host in made.workers.items():
        start(name, host, *CLI, *SERVICES["worker"]["command"])
    made.key = _first_key(made)
    wait_until(lambda: made.ask("GET", "/readyz")[0] == 200, "the API")
    for path, body in (
        ("/v1/machines", bodies.machine()),
        ("/v1/nozzles", bodies.nozzle(machine_id="alder", slot=1)),
        ("/v1/materials", bodies.material()),
        ("/v1/spools", bodies.spool(machine_id="alder", slot=1)),
    ):
        status, answer = made.ask("POST", path, body)
        assert status == 201, answer
    wait_until(lambda: made.routing_workers() == 2, "both workers")


def _first_key(made: Fleet) -> str:
    """As the first lines of docker-compose.yml say."""
    scopes = [part for scope in ("read", "hand-in", "operate", "administer") for part in ("--scope", scope)]
    command = made.api.command(*CLI, "key", "add", "--name", "chief", *scopes)
    done = subprocess.run(command, env=_environ(made.environment), capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()

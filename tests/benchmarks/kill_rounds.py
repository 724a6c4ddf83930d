"""Rounds of kill -9 at random moments under load, and what came of every job that was acknowledged.

Run: python -m tests.benchmarks.kill_rounds --rounds 50 --seed 20
Each round kills one or two of: Redis, the HTTP server or one of its processes, a routing worker, the supervisor with
all of its children (the next life begins on the same data); the load goes on and the round ends when jobs are
acknowledged again. At the end each acknowledged job must be there, routed once, bound once and on one list; the exit
code is 1 otherwise.

25 November 2026, 50 rounds, seed 20: 3,729 jobs acknowledged, 0 lost, 0 not routed exactly once, 0 not bound exactly
once, 0 made twice; 2,455 requests that a kill had cut off or turned away were asked again; 68 kills.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from pathlib import Path

import redis

from tests.service.agents import stock
from tests.service.customers import Customers, opened, told
from tests.service.processes import Running, is_alive, running, wait_until
from workers.model.job import JobState
from workers.store.stores import Stores

CHILDREN = ("redis", "api", "routing-worker-1", "routing-worker-2")
API_PROCESS, SUPERVISOR = "api process", "supervisor"
VICTIMS = (*CHILDREN, API_PROCESS, SUPERVISOR)
LONGEST_WAIT_S = 0.8
ROUNDS_A_LIFE = 8  # then the supervisor is next: its pauses before restarts grow with each death
TWO_AT_ONCE = 0.3


@dataclass(frozen=True, slots=True)
class Tally:
    """What came of the acknowledged jobs. asked_again: requests that a kill left without a 202, by status (0: cut)."""

    acknowledged: int
    lost: int
    not_routed_once: int
    not_bound_once: int
    made_twice: int
    asked_again: dict[int, int]
    kills: dict[str, int]

    @property
    def is_clean(self) -> bool:
        return not (self.lost or self.not_routed_once or self.not_bound_once or self.made_twice)


@dataclass
class Lives:
    """The service, begun again on the same data after each death of its supervisor."""

    folder: Path
    port: int = 0
    rounds: int = 0
    _stack: ExitStack = field(default_factory=ExitStack)
    _up: Running | None = None

    @property
    def up(self) -> Running:
        assert self._up is not None
        return self._up

    def begin(self) -> None:
        self._stack.close()
        self.rounds = 0
        command = [sys.executable, "-m", "service.cli", "up", "--data", str(self.folder / "data")]
        log = self.folder / f"log-{time.time_ns()}"
        started = running([*command, "--port", str(self.port)], log, BOREWRIGHT_REDIS_URL="")
        self._up = self._stack.enter_context(started)
        self.port = int(self._up.wait_for_log(r"http://127\.0\.0\.1:(\d+)")[-1])

    def end(self) -> None:
        self._stack.close()

    def kill(self, victim: str) -> None:
        """One kill -9, as soon as the victim is alive."""
        if victim == SUPERVISOR:
            os.kill(self.up.process.pid, signal.SIGKILL)
            wait_until(lambda: not self.up.descendants(), "the end of all children")
            self.begin()
            return
        wait_until(lambda: self._process_of(victim), f"{victim} alive")
        if (pid := self._process_of(victim)) is not None:
            os.kill(pid, signal.SIGKILL)

    def _process_of(self, victim: str) -> int | None:
        """The process id, if it is a living child of its parent: never another's that was given the same number."""
        if victim != API_PROCESS:
            pid = self.up.pid_of(victim)
            return pid if pid in children_of(self.up.process.pid) else None
        server = self._process_of("api")
        return next(iter(children_of(server)), None) if server is not None else None

    def stores(self) -> Stores:
        return opened(f"unix://{next((self.folder / 'data').rglob('*.sock'))}")


def children_of(pid: int) -> list[int]:
    """Living children only (proc(5), /proc/pid/task/tid/children; the first thread is the one that forks here)."""
    with suppress(FileNotFoundError):
        return [int(one) for one in Path(f"/proc/{pid}/task/{pid}/children").read_text().split() if is_alive(int(one))]
    return []


def victims_of(rng: random.Random, lives: Lives) -> list[str]:
    if lives.rounds >= ROUNDS_A_LIFE:
        return [SUPERVISOR]
    first = rng.choice(VICTIMS)
    return [first] if first == SUPERVISOR or rng.random() > TWO_AT_ONCE else [first, rng.choice(CHILDREN)]


def run(folder: Path, rounds: int, seed: int, say: Callable[[str], None] = lambda line: None) -> Tally:
    """All rounds, then the count. say: takes the lines of the log."""
    rng, kills, lives = random.Random(seed), Counter[str](), Lives(folder)
    try:
        lives.begin()
        stock(lives.port)
        with Customers(lives.port, batch=20, pause_s=0.05) as customers:
            for number in range(1, rounds + 1):
                time.sleep(rng.uniform(0.0, LONGEST_WAIT_S))
                victims, seen = victims_of(rng, lives), len(customers.acknowledged)
                for victim in victims:
                    lives.kill(victim)
                kills.update(victims)
                lives.rounds += 1
                _await_more(customers)
                say(f"round {number:2}: kill -9 of {' and '.join(victims)} at {seen} jobs acknowledged")
        return _tally(lives.stores(), customers, kills)
    finally:
        lives.end()


def _await_more(customers: Customers) -> None:
    seen = len(customers.acknowledged)
    wait_until(lambda: len(customers.acknowledged) > seen, "jobs acknowledged again")


def _tally(stores: Stores, customers: Customers, kills: Counter[str]) -> Tally:
    jobs = list(customers.acknowledged)
    wait_until(lambda: _all_done(stores), "an empty inbox and nothing left to bind")
    records = stores.jobs.get_many(jobs)
    routed, bound = told(stores, "job.routed"), told(stores, "job.bound")
    listed: Counter[str] = Counter()
    for machine in stores.fleet.snapshot().machines:
        listed.update(one.entry.job_id for one in stores.dispatch.get(machine.id).listed)
    names = Counter(one.spec.name for one in records if one is not None)
    at_rest = {record.id for record in records if record is not None and record.state is JobState.BOUND}
    return Tally(
        acknowledged=len(jobs),
        lost=sum(record is None for record in records),
        not_routed_once=sum(routed[f"job/{one}"] != 1 for one in jobs),
        not_bound_once=sum(bound[f"job/{one}"] != 1 or listed[one] != 1 or one not in at_rest for one in jobs),
        made_twice=sum(count - 1 for count in names.values()) + len(jobs) - len(set(jobs)),
        asked_again=dict(customers.refused),
        kills=dict(kills),
    )


def _all_done(stores: Stores) -> bool:
    with suppress(redis.RedisError):
        return stores.inbox.waiting() == 0 and not stores.dispatch.to_bind(1)
    return False


def closing_line(rounds: int, seed: int, tally: Tally) -> str:
    return (
        f"{rounds} rounds, seed {seed}: {tally.acknowledged} jobs acknowledged, {tally.lost} lost, "
        f"{tally.not_routed_once} not routed exactly once, {tally.not_bound_once} not bound exactly once, "
        f"{tally.made_twice} made twice; asked again {sum(tally.asked_again.values())} times; kills: "
        + ", ".join(f"{name} {count}" for name, count in sorted(tally.kills.items()))
    )


def main() -> int:
    parser = argparse.ArgumentParser(description="Random kill -9 under load.")
    parser.add_argument("--rounds", type=int, default=50)
    parser.add_argument("--seed", type=int, default=20)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name:
        tally = run(Path(name), chosen.rounds, chosen.seed, lambda line: print(line, flush=True))
    print(closing_line(chosen.rounds, chosen.seed, tally))
    return 0 if tally.is_clean else 1


if __name__ == "__main__":
    sys.exit(main())

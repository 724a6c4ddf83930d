"""Rounds of kill -9 at random moments under load, and what came of every job that was acknowledged.

Run: python -m tests.benchmarks.kill_rounds --rounds 50 --seed 20
Each round kills one or two of: Redis, the HTTP server or one of its processes, a routing worker, the supervisor with
all of its children (the next life begins on the same data); the load goes on and the round ends when jobs are
acknowledged again. At the end each acknowledged job must be there, routed once, bound once and on one list; the exit
code is 1 otherwise.
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
from tests.service.processes import Running, running, wait_until
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

    def kill(self, victim: str) -> bool:
        """One kill -9; False where the victim is not alive just now."""
        if victim == SUPERVISOR:
            os.kill(self.up.process.pid, signal.SIGKILL)
            wait_until(lambda: not self.up.descendants(), "the end of all children")
            self.begin()
            return True
        pid = self._process_of(victim)
        if pid not in self.up.descendants():
            return False
        os.kill(pid, signal.SIGKILL)
        return True

    def _process_of(self, victim: str) -> int:
        if victim != API_PROCESS:
            return self.up.pid_of(victim)
        children = Path(f"/proc/{self.up.pid_of('api')}/task/{self.up.pid_of('api')}/children")
        with suppress(FileNotFoundError):
            found = children.read_text().split()
            return int(found[0]) if found else self.up.pid_of("api")
        return self.up.pid_of("api")

    def stores(self) -> Stores:
        return opened(f"unix://{next((self.folder / 'data').rglob('*.sock'))}")


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
                killed = [victim for victim in victims if lives.kill(victim)]
                kills.update(killed)
                lives.rounds += 1
                _await_more(customers)
                say(f"round {number:2}: kill -9 of {' and '.join(killed) or 'nobody'} at {seen} jobs acknowledged")
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

"""Redis slow, hung, gone, full, read-only, restarted with a longer log: on the real processes.

Every test leaves the service whole, and nothing but the fault's end brings it back.
"""

from __future__ import annotations

import os
import signal
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import redis

from tests.service import api_bodies as bodies
from tests.service.faults.faulty import Service, require_not_now, require_page_not_now
from tests.service.processes import wait_until

COMMAND_S, REQUEST_S = 5.0, 8.0  # what DEVELOPERS.md promises of one command, and of a request in all
GRACE_S = 4.0  # of a loaded machine


def test_a_redis_that_hangs_holds_up_a_caller_for_seconds_and_the_next_not_at_all(service: Service) -> None:
    with service.stopped(service.pid("redis")), ThreadPoolExecutor(24) as callers:
        at_once = list(callers.map(lambda _: service.hand_in(), range(24)))  # more than there are threads
        for answer in at_once:
            require_not_now(answer)
            assert answer.seconds < COMMAND_S + GRACE_S
        later = [service.hand_in() for _ in range(5)]
        assert sum(one.seconds > 1.0 for one in later) <= 1  # the one that finds out
        require_not_now(service.ask("GET", "/readyz"))
        health = service.ask("GET", "/healthz")
        assert (health.status, health.seconds < 2.0) == (200, True)


def test_a_redis_that_is_slow_in_each_command_is_given_up_on(service: Service) -> None:
    """It stands still for three seconds, again and again, so no command times out; how many pass between is luck."""
    over = threading.Event()

    def drag() -> None:
        while not over.is_set():
            with service.stopped(service.pid("redis")):
                over.wait(3.0)
            time.sleep(0.0005)

    dragging = threading.Thread(target=drag)
    dragging.start()
    try:
        answer = service.ask("GET", "/")  # the page that reads most
    finally:
        over.set()
        dragging.join()
    if answer.status != 200:
        require_page_not_now(answer)
    assert answer.seconds < REQUEST_S + COMMAND_S + GRACE_S


def test_a_redis_that_is_gone_is_told_at_once_and_comes_back_by_itself(service: Service) -> None:
    before = service.pid("redis")
    os.kill(before, signal.SIGKILL)
    wait_until(lambda: not service.is_ready() or service.pid("redis") != before, "the loss seen")
    wait_until(lambda: service.pid("redis") != before, "a new Redis")


def test_a_full_redis_refuses_what_writes_and_reads_on(service: Service) -> None:
    service.redis.config_set("maxmemory", "1mb")
    try:
        for path, body in (
            ("/v1/jobs", bodies.job()),
            ("/v1/job-batches", {"jobs": [bodies.job(), bodies.job()]}),
            ("/v1/machines", bodies.machine(id="birch")),
            ("/v1/plans", {}),
        ):
            require_not_now(service.ask("POST", path, body))
        require_not_now(service.ask("GET", "/readyz"))
        assert service.ask("GET", f"/v1/jobs/{service.kept[0]}").status == 200
        assert service.ask("GET", "/").status == 200
        assert service.ask("GET", "/v1/machines/birch").status == 404
    finally:
        service.redis.config_set("maxmemory", "0")


def test_a_replica_refuses_what_writes_and_reads_on(service: Service) -> None:
    service.redis.replicaof("127.0.0.1", "1")  # a primary that is not there: it keeps what it has and takes no writes
    try:
        for path, body in (("/v1/jobs", bodies.job()), ("/v1/claims", {"machine_id": "alder", "claimant": "agent"})):
            require_not_now(service.ask("POST", path, body))
        require_not_now(service.ask("GET", "/readyz"))
        assert service.ask("GET", f"/v1/jobs/{service.kept[0]}").status == 200
    finally:
        service.redis.replicaof("NO", "ONE")


def test_a_redis_that_loads_a_longer_log_is_waited_for(service: Service) -> None:
    """The log is made to take seconds: Redis answers -LOADING meanwhile, every thousand commands."""
    [log] = list((service.inside / "data" / "redis").rglob("*.aof"))
    before = service.pid("redis")
    with service.stopped(service.run.process.pid):  # the supervisor must not restart it before the log is longer
        os.kill(before, signal.SIGKILL)
        wait_until(lambda: not _answers(service), "its end")
        with log.open("ab") as end:
            for _ in range(30):
                end.write(_command("SET", "filler", "1") * 1000 + _command("DEBUG", "SLEEP", "0.1"))
    seen = set()

    def loaded() -> bool:
        seen.add(service.ask("GET", "/readyz").status)
        return service.pid("redis") != before and _answers(service)

    wait_until(loaded, "the log loaded")
    assert 503 in seen
    assert service.redis.get("filler") == b"1"


def _answers(service: Service) -> bool:
    try:
        return bool(service.redis.ping())
    except redis.RedisError:
        return False


def _command(*words: str) -> bytes:
    """One command as it stands in the log (RESP)."""
    parts = [f"*{len(words)}", *(part for one in words for part in (f"${len(one)}", one)), ""]
    return "\r\n".join(parts).encode()

"""A worker or API process that hangs, is killed, or runs out of memory: on the real processes."""

from __future__ import annotations

import os
import re
import resource
import signal
from pathlib import Path

from tests.service import api_bodies as bodies
from tests.service.faults.faulty import Service
from tests.service.processes import is_alive, wait_until


def test_processes_that_hang_are_replaced_and_what_they_held_is_done(service: Service) -> None:
    """SIGSTOP, the routing worker and the one process of the API at once; each is told by its missing sign of life."""
    worker, api = service.pid("routing-worker-1"), _gunicorn_worker(service)
    batch = service.ask("POST", "/v1/job-batches", {"jobs": [bodies.job() for _ in range(200)]})
    service.kept += [one["id"] for one in batch.json["items"]]
    for pid in (worker, api):
        os.kill(pid, signal.SIGSTOP)
    wait_until(lambda: not is_alive(worker) and not is_alive(api), "the end of both")
    service.run.wait_for_log(r"child hangs and is killed child=routing-worker-1 ")
    service.await_ready()


def test_a_worker_out_of_memory_ends_and_its_successor_does_the_work(service: Service) -> None:
    """Its address space is bounded to what it uses already (prlimit), which the next one's is not.

    Until there is a next one jobs are kept, and readiness is false.
    """
    worker = service.pid("routing-worker-1")
    used = int(re.findall(r"VmSize:\s+(\d+) kB", Path(f"/proc/{worker}/status").read_text())[0]) * 1024
    resource.prlimit(worker, resource.RLIMIT_AS, (used, used))
    with service.stopped(service.run.process.pid):  # the supervisor restarts nothing for a while
        batch = service.ask("POST", "/v1/job-batches", {"jobs": [bodies.job(name=f"part {n}") for n in range(250)]})
        service.kept += [one["id"] for one in batch.json["items"]]
        wait_until(lambda: not is_alive(worker), "its end")
        service.redis.delete(service.stores.keys.presence("routing"))  # as if it had not been heard of for long
        told = service.ask("GET", "/readyz")
        assert (told.status, "worker" in told.json["detail"]) == (503, True)
        assert int(told.headers["retry-after"]) > 0
        assert service.ask("GET", "/healthz").status == 200
        assert service.hand_in().status == 202
        assert 'borewright_workers{queue="routing"} 0.0' in service.ask("GET", "/metrics").body.decode()
    service.run.wait_for_log(rf"child ended child=routing-worker-1 .*pid={worker} ")


def _gunicorn_worker(service: Service) -> int:
    return int(service.run.wait_for_log(r"Booting worker with pid: (\d+)")[-1])

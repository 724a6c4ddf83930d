"""`borewright up` as a user runs it: the real parts, killed and stopped in every way."""

from __future__ import annotations

import http.client
import json
import os
import signal
import sys
import threading
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import redis

from service.redis_server import EmbeddedRedis
from tests.service import api_bodies as bodies
from tests.service.processes import Running, running, wait_until

pytestmark = pytest.mark.usefixtures("redis_binary")

COMMAND = [sys.executable, "-P", "-m", "service.cli"]
CHILDREN = ("redis", "routing-worker-1", "geometry-worker-1", "planning-worker-1", "api")


@dataclass
class Up:
    """A running service and its address."""

    run: Running
    port: int

    def ask(self, method: str, path: str, body: Any = None) -> tuple[int, Any]:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        try:
            sent = None if body is None else json.dumps(body)
            connection.request(method, path, sent, {"Content-Type": "application/json"} if sent else {})
            answer = connection.getresponse()
            text = answer.read()
            return answer.status, json.loads(text) if text else None
        finally:
            connection.close()

    def status(self, method: str, path: str, body: Any = None) -> int:
        """Give the status of the answer; 0 when there is none."""
        try:
            return self.ask(method, path, body)[0]
        except (OSError, http.client.HTTPException):
            return 0

    def is_ready(self) -> bool:
        return self.status("GET", "/readyz") == 200


@contextmanager
def up(tmp_path: Path, *arguments: str, **environ: str):
    """Run `borewright up` on the folder `data` and any free port until it says that it is ready."""
    command = [*COMMAND, "up", "--data", str(tmp_path / "data"), "--port", "0", "--workers", "1", *arguments]
    number = len(list(tmp_path.glob("log-*")))
    with running(command, tmp_path / f"log-{number}", **environ) as started:
        port = started.wait_for_log(r"Borewright is ready at http://127\.0\.0\.1:(\d+)/")[-1]
        yield Up(started, int(port))


def test_it_serves_stops_without_a_trace_and_finds_its_data_again(tmp_path):
    with up(tmp_path) as first:
        assert first.is_ready()
        assert first.status("POST", "/v1/machines", bodies.machine(id="alder")) == 201
        assert first.run.stop(signal.SIGTERM) == 0
        assert first.run.descendants() == set()
        assert first.status("GET", "/healthz") == 0
        ends = [line.split("child=")[1].split()[0] for line in first.run.log.splitlines() if "child stopped" in line]
        assert (ends[0], ends[-1]) == ("api", "redis")
        assert "killed" not in first.run.log
    with up(tmp_path) as second:
        assert second.ask("GET", "/v1/machines/alder")[1]["id"] == "alder"
        assert second.run.stop(signal.SIGINT) == 0
        assert second.run.descendants() == set()


def test_a_second_instance_on_the_same_folder_is_refused_and_the_first_goes_on(tmp_path):
    with up(tmp_path) as first:
        command = [*COMMAND, "up", "--data", str(tmp_path / "data"), "--port", "0"]
        with running(command, tmp_path / "refused") as second:
            assert second.process.wait(60) == 2
            assert f"process {first.run.process.pid}" in second.log
            assert "Traceback" not in second.log
        assert first.is_ready()


def test_every_part_that_is_killed_comes_back_and_nothing_is_lost(tmp_path):
    with up(tmp_path) as service:
        assert service.status("POST", "/v1/machines", bodies.machine(id="alder")) == 201
        for child in CHILDREN:
            killed = service.run.pid_of(child)
            os.kill(killed, signal.SIGKILL)
            service.run.wait_for_log(rf"ERROR .*child ended child={child} end=SIGKILL pid={killed} ")
            service.run.wait_for_log(rf"child restarted child={child} ")
            wait_until(service.is_ready, f"an answer after the {child} was killed")
            assert service.ask("GET", "/v1/machines/alder")[0] == 200
        assert service.run.stop() == 0
        assert service.run.descendants() == set()


def test_all_parts_die_with_a_supervisor_that_is_killed_and_the_folder_can_be_used_again(tmp_path):
    with up(tmp_path) as first:
        assert first.status("POST", "/v1/machines", bodies.machine(id="alder")) == 201
        assert len(first.run.descendants()) >= len(CHILDREN)
        first.run.stop(signal.SIGKILL)
        with up(tmp_path) as second:
            assert second.status("GET", "/v1/machines/alder") == 200
            wait_until(lambda: not first.run.descendants(), "the end of all that the first had started")


def test_every_acknowledged_job_survives_a_redis_that_is_killed_under_load(tmp_path):
    with up(tmp_path) as service:
        stock(service)
        acknowledged: list[str] = []
        enough = threading.Event()
        caller = threading.Thread(target=hand_in, args=(service, acknowledged, enough))
        caller.start()
        wait_until(lambda: len(acknowledged) >= 30, "the first jobs")
        os.kill(service.run.pid_of("redis"), signal.SIGKILL)
        wait_until(lambda: len(acknowledged) >= 60, "jobs accepted after the restart")
        enough.set()
        caller.join()
        assert "child restarted child=redis" in service.run.log
        for job in acknowledged:
            wait_until(lambda job=job: is_settled(service, job), f"the routing of {job}")


def stock(service: Up) -> None:
    shop = (
        ("machines", bodies.machine()),
        ("nozzles", bodies.nozzle(machine_id="alder", slot=1)),
        ("materials", bodies.material()),
        ("spools", bodies.spool(machine_id="alder", slot=1)),
    )
    for kind, body in shop:
        assert service.status("POST", f"/v1/{kind}", body) == 201


def hand_in(service: Up, acknowledged: list[str], enough: threading.Event) -> None:
    """Hand in one job after the other; a refusal or a broken connection is no acknowledgement."""
    while not enough.is_set():
        try:
            status, answer = service.ask("POST", "/v1/jobs", bodies.job())
        except (OSError, http.client.HTTPException):
            continue
        if status == 202:
            acknowledged.append(answer["id"])


def is_settled(service: Up, job: str) -> bool:
    status, answer = service.ask("GET", f"/v1/jobs/{job}")
    assert status == 200, answer
    return answer["state"] in {"routed", "bound", "unroutable"}


@pytest.fixture
def outside(redis_binary, tmp_path):
    with EmbeddedRedis(tmp_path / "outside", redis_binary) as server:
        yield server


def test_an_outside_redis_is_used_as_it_is_and_left_running(outside, tmp_path):
    with up(tmp_path, BOREWRIGHT_REDIS_URL=outside.url) as service:
        assert "child=redis" not in service.run.log
        assert service.status("POST", "/v1/machines", bodies.machine()) == 201
        assert service.run.stop() == 0
    client = redis.Redis.from_url(outside.url)
    assert client.dbsize() > 0
    assert not (tmp_path / "data").exists()


def test_an_outside_redis_that_syncs_every_second_is_used_with_a_warning(outside, tmp_path):
    redis.Redis.from_url(outside.url).config_set("appendfsync", "everysec")
    with up(tmp_path, BOREWRIGHT_REDIS_URL=outside.url) as service:
        service.run.wait_for_log(r"WARNING .*appendfsync is everysec")


def test_a_worker_s_health_is_what_is_registered(outside, tmp_path):
    def health(queue: str) -> int:
        command = [*COMMAND, "worker-health", "--queue", queue]
        with running(command, tmp_path / "health", BOREWRIGHT_REDIS_URL=outside.url) as asked:
            return asked.process.wait(60)

    assert health("geometry") == 1
    command = [*COMMAND, "worker", "--queue", "geometry"]
    with running(command, tmp_path / "worker", BOREWRIGHT_REDIS_URL=outside.url) as worker:
        wait_until(lambda: health("geometry") == 0, "the worker's registration")
        assert health("routing") == 1
        assert worker.stop() == 0
    assert health("geometry") == 1
    outside.stop()
    assert health("geometry") == 1

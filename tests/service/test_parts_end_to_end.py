"""Meshes through the real processes of `borewright up`: analysed once, jobs go on, nothing hostile stops a worker."""

from __future__ import annotations

import http.client
import json
import os
import signal
import sys
import threading
import urllib.request
import uuid
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from prometheus_client.parser import text_string_to_metric_families

from tests.geometry import shapes
from tests.geometry.test_fuzz import ORIGINALS, declared, mutated
from tests.service import api_bodies as bodies
from tests.service.customers import call, opened, stock
from tests.service.processes import Running, is_alive, running, wait_until
from workers.store.stores import Stores

BOX = shapes.stl(shapes.box(30, 20, 10))
HEAVY = shapes.stl(shapes.torus(20, 5, 400, 200))  # 160,000 triangles: seconds, not milliseconds
ANOTHER = shapes.stl(shapes.torus(21, 5, 400, 200))


@dataclass
class Shop:
    up: Running
    port: int
    stores: Stores

    def upload(self, path: str, data: bytes, **fields: str) -> tuple[int, Any]:
        """One multipart request, written by hand as RFC 7578 has it; (0, None) where the connection broke."""
        mark = uuid.uuid4().hex
        parts = [f'--{mark}\r\nContent-Disposition: form-data; name="{k}"\r\n\r\n{v}\r\n' for k, v in fields.items()]
        head = f'--{mark}\r\nContent-Disposition: form-data; name="file"; filename="part"\r\n\r\n'
        body = "".join(parts).encode() + head.encode() + data + f"\r\n--{mark}--\r\n".encode()
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        try:
            connection.request("POST", path, body, {"Content-Type": f"multipart/form-data; boundary={mark}"})
            answer = connection.getresponse()
            return answer.status, json.loads(answer.read() or b"null")
        except (OSError, http.client.HTTPException):
            return 0, None
        finally:
            connection.close()

    def kept(self, path: str, data: bytes, **fields: str) -> dict[str, Any]:
        status, body = self.upload(path, data, **fields)
        assert status in {200, 202}, body
        return dict(body)

    def get(self, path: str) -> Any:
        return call(self.port, "GET", path)[1]

    def await_part(self, part_id: str) -> dict[str, Any]:
        part: dict[str, Any] = {}

        def is_over() -> bool:
            part.update(self.get(f"/v1/parts/{part_id}") or {})
            return part.get("state") in {"analysed", "refused"}

        wait_until(is_over, f"the end of the analysis of {part_id}")
        return part

    def await_job(self, job_id: str) -> dict[str, Any]:
        """The job once it is neither waiting nor on its way."""
        job: dict[str, Any] = {}

        def is_over() -> bool:
            job.update(self.get(f"/v1/jobs/{job_id}") or {})
            return job.get("state") not in {None, "accepted", "analysing"}

        wait_until(is_over, f"an answer for job {job_id}")
        return job

    def told(self, subject: str) -> Counter[str]:
        return Counter(event.kind for event in self.stores.events.after("0", 100_000) if event.subject == subject)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    folder = tmp_path_factory.mktemp("up")
    command = [sys.executable, "-m", "service.cli", "up", "--data", str(folder / "data"), "--port", "0"]
    with running(command, folder / "log", BOREWRIGHT_REDIS_URL="", BOREWRIGHT_ANALYSIS_LIMIT_S="30") as up:
        port = int(up.wait_for_log(r"http://127\.0\.0\.1:(\d+)")[-1])
        stock(port)
        yield Shop(up, port, opened(f"unix://{next((folder / 'data').rglob('*.sock'))}"))
        assert up.stop() == 0


def job_on(part_id: str | None = None, name: str = "box") -> dict[str, Any]:
    body = {key: value for key, value in bodies.job(name=name, tolerances=[]).items() if key != "summary"}
    return body if part_id is None else body | {"part_id": part_id}


def test_a_box_is_analysed_and_its_job_routed(shop: Shop) -> None:
    part = shop.await_part(shop.kept("/v1/parts", BOX, unit="mm")["id"])
    assert part["state"] == "analysed"
    assert part["summary"]["volume_mm3"] == pytest.approx(6000)  # 30 x 20 x 10
    status, made = call(shop.port, "POST", "/v1/jobs", job_on(part["id"]))
    assert status == 202
    assert shop.await_job(made["id"])["state"] in {"routed", "bound"}
    routing = shop.get(f"/v1/jobs/{made['id']}/routing")["routing"]
    assert routing["chosen"]["volume_cm3"] < 6.1  # shells and infill of 6 cm3, no more


def test_a_job_handed_in_before_its_part_is_analysed_goes_on_by_itself(shop: Shop) -> None:
    part = shop.kept("/v1/parts", HEAVY, unit="mm")
    made = [call(shop.port, "POST", "/v1/jobs", job_on(part["id"], f"ring {i}"))[1] for i in range(3)]
    assert {one["state"] for one in made} == {"analysing"}
    assert {shop.await_job(one["id"])["state"] for one in made} <= {"routed", "bound"}
    assert shop.told(f"part/{part['id']}")["part.progress"] > 1


def test_many_uploaders_at_once_make_one_analysis(shop: Shop) -> None:
    cube = shapes.stl(shapes.box(11, 12, 13))
    made: list[dict[str, Any]] = []

    def hand_in(number: int) -> None:
        made.append(shop.kept("/v1/jobs", cube, unit="mm", job=json.dumps(job_on(name=f"cube {number}"))))

    threads = [threading.Thread(target=hand_in, args=(i,)) for i in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    (part_id,) = {one["part_id"] for one in made}
    assert len({one["id"] for one in made}) == 8
    assert {shop.await_job(one["id"])["state"] for one in made} <= {"routed", "bound"}
    told = shop.told(f"part/{part_id}")
    assert (told["part.accepted"], told["part.analysing"], told["part.analysed"]) == (1, 1, 1)


HOSTILE = {
    "no mesh": (b"solid ground\n", {"unit": "mm"}),
    "cut short": (BOX[:-10], {"unit": "mm", "format": "stl"}),
    "a count that lies": (BOX[:80] + b"\xff\xff\xff\xff" + BOX[84:], {"unit": "mm", "format": "stl"}),
    "not a number": (BOX[:96] + b"\x00\x00\xc0\x7f" * 9 + BOX[132:], {"unit": "mm"}),
    "another type": (BOX, {"unit": "mm", "format": "3mf"}),
    "a script": (b"#!/bin/sh\nreboot\n" * 50, {"unit": "mm"}),
    "a flat sheet": (shapes.off(shapes.box(5, 5, 5)).replace(b" 5\n", b" 0\n"), {"unit": "mm"}),
    "an entity bomb": (
        shapes.package(
            shapes.simple_model(
                shapes.box(1, 1, 1),
                head='<?xml version="1.0"?><!DOCTYPE m [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;">]>',
            )
        ),
        {},
    ),
    "a run of comment marks": (b"#" * 60 + b"x\n" + b"?" * 20, {"unit": "mm"}),
    "a zip bomb": (shapes.package(b"\0" * 300_000_000), {}),
    "a path out of the package": (
        shapes.package(shapes.simple_model(shapes.box(1, 1, 1)), [("../../etc/x", b"x")]),
        {},
    ),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_file_is_answered_and_the_worker_lives_on(shop: Shop, name: str) -> None:
    data, fields = HOSTILE[name]
    worker = shop.up.pid_of("geometry-worker-1")
    made = shop.kept("/v1/jobs", data, job=json.dumps(job_on(name=name)), **fields)

    part, job = shop.await_part(made["part_id"]), shop.await_job(made["id"])

    if part["state"] == "refused":
        assert part["problem"]["detail"]
        assert (job["state"], part["problem"]["detail"] in job["reason"]) == ("failed", True)
    else:  # a summary that says what was mended and how far to trust it
        assert part["summary"]["mended"]
        assert part["summary"]["trust"] != "full"
    assert shop.up.pid_of("geometry-worker-1") == worker


def test_most_hostile_files_are_refused_outright(shop: Shop) -> None:
    states = Counter(part["state"] for part in shop.get("/v1/parts?limit=200")["items"])
    assert states["refused"] >= len(HOSTILE) - 2


def test_mutated_files_are_each_answered_by_a_worker_that_lives_on(shop: Shop) -> None:
    """Each kind of file and of mutation; a thousand of them: ``python -m tests.benchmarks.bench_hostile``."""
    worker = shop.up.pid_of("geometry-worker-1")
    files = [(mutated(name, number), declared(name)) for name in ORIGINALS for number in range(7)]
    made = [shop.upload("/v1/parts", data, unit="mm", format=kind) for data, kind in files]
    assert {status for status, _ in made} <= {200, 202}
    for _, part in made:
        ended = shop.await_part(part["id"])
        assert ended["summary"] or ended["problem"]["detail"]
        assert (ended["problem"] or {}).get("type") != "urn:borewright:problem:mesh-crashed"
    assert shop.up.pid_of("geometry-worker-1") == worker


def test_a_worker_killed_in_mid_analysis_loses_nothing(shop: Shop) -> None:
    made = shop.kept("/v1/jobs", ANOTHER, unit="mm", job=json.dumps(job_on(name="another ring")))
    subject = f"/v1/parts/{made['part_id']}"
    wait_until(lambda: shop.get(subject)["phase"] in {"curves", "features"}, "the middle of the analysis")
    before = shop.up.pid_of("geometry-worker-1")
    children = _children(before)
    assert children
    os.kill(before, signal.SIGKILL)

    part = shop.await_part(made["part_id"])

    assert (part["state"], part["attempt"]) == ("analysed", 2)
    assert shop.up.pid_of("geometry-worker-1") != before
    told = shop.told(f"part/{made['part_id']}")
    assert (told["part.accepted"], told["part.analysed"]) == (1, 1)
    assert shop.await_job(made["id"])["state"] in {"routed", "bound"}
    assert not [pid for pid in children if is_alive(pid)]


def test_no_acknowledged_upload_is_lost_when_processes_are_killed(shop: Shop) -> None:
    kept: list[str] = []
    over = threading.Event()

    def hand_in() -> None:
        number = 0
        while not over.is_set():
            number += 1
            cube = shapes.stl(shapes.box(5, 6, 7 + 0.01 * number))
            status, made = shop.upload("/v1/jobs", cube, unit="mm", job=json.dumps(job_on(name=f"cube {number}")))
            if status == 202:
                kept.append(made["id"])
            over.wait(0.4)  # an analysis takes about a second: what is kept must be worked off in the end

    uploader = threading.Thread(target=hand_in, daemon=True)
    uploader.start()
    for child in ("redis", "geometry-worker-1", "api", "redis", "geometry-worker-1"):
        seen = len(kept)
        wait_until(lambda seen=seen: len(kept) > seen + 2, "more uploads acknowledged")
        before = shop.up.pid_of(child)
        with suppress(ProcessLookupError):  # a worker whose store was just killed may end before we come
            os.kill(before, signal.SIGKILL)
        wait_until(lambda child=child, before=before: shop.up.pid_of(child) != before, f"a new {child}")
    over.set()
    uploader.join()

    assert len(kept) > 10
    for job_id in kept:
        part_id = shop.get(f"/v1/jobs/{job_id}")["spec"]["part_id"]
        assert shop.await_part(part_id)["state"] == "analysed"
        assert shop.told(f"part/{part_id}")["part.analysed"] == 1
        assert shop.get(f"/v1/jobs/{job_id}")["state"] in {"accepted", "routed", "bound"}


def test_the_last_of_it_all(shop: Shop) -> None:
    """Nothing waits, nothing is kept that is not needed, and a new part is analysed as on the first day."""
    part = shop.await_part(shop.kept("/v1/parts", shapes.stl(shapes.box(3, 4, 5)), unit="mm")["id"])
    assert part["state"] == "analysed"
    assert shop.stores.analyses.waiting() == 0
    assert not list(shop.stores.client.scan_iter("*:part-mesh:*"))
    assert shop.stores.jobs.counts()["analysing"] == 0


def _children(parent: int) -> list[int]:
    """Processes whose parent is ``parent`` (proc(5): /proc/PID/task/TID/children)."""
    return [int(pid) for pid in Path(f"/proc/{parent}/task/{parent}/children").read_text().split()]


# --- what those who run it see ----------------------------------------------------------------------------------


def figures(shop: Shop) -> dict[str, float]:
    """One scrape of whichever process answers, by the parser of the Prometheus project's own library."""
    with urllib.request.urlopen(f"http://127.0.0.1:{shop.port}/metrics", timeout=30) as page:
        families = text_string_to_metric_families(page.read().decode())
        return {
            one.name + "".join(f"/{value}" for value in one.labels.values()): one.value
            for family in families
            for one in family.samples
        }


def test_the_figures_tell_the_traffic_whichever_process_is_asked(shop: Shop) -> None:
    """Handed in to two processes of the API, routed by two workers; counted once, and the same from everyone."""
    before, singles, batch = figures(shop), 7, 40
    for number in range(singles):
        status, _ = call(shop.port, "POST", "/v1/jobs", bodies.job(name=f"single {number}"))
        assert status == 202
    status, _ = call(shop.port, "POST", "/v1/job-batches", {"jobs": [bodies.job() for _ in range(batch)]})
    assert status == 202
    wait_until(lambda: figures(shop)["borewright_routed_seconds_count"] >= before_count(before, singles + batch), "all")
    scrapes = [figures(shop) for _ in range(6)]
    for after in scrapes:
        for name in ("jobs_accepted_total", "routed_seconds_count", "batch_jobs_sum"):
            assert after[f"borewright_{name}"] - before.get(f"borewright_{name}", 0) == singles + batch, name
        assert after["borewright_inbox_jobs"] == after["borewright_inbox_oldest_seconds"] == 0
        assert {queue: after[f"borewright_workers/{queue}"] for queue in ("routing", "geometry", "planning")} == {
            "routing": 2,
            "geometry": 1,
            "planning": 1,
        }
        waits = after["borewright_routed_seconds_sum"] - before["borewright_routed_seconds_sum"]
        assert 0 < waits < 60 * (singles + batch)


def before_count(before: dict[str, float], more: int) -> float:
    return before.get("borewright_routed_seconds_count", 0) + more


def test_one_id_leads_from_the_caller_to_the_worker(shop: Shop) -> None:
    trace = "4bf92f3577b34da6a3ce929d0e0e4736"  # the example of W3C Trace Context, section 3.3
    status, made = call(shop.port, "POST", "/v1/jobs", bodies.job(), traceparent=f"00-{trace}-00f067aa0ba902b7-01")
    assert status == 202
    shop.await_job(made["id"])
    shop.up.wait_for_log(rf"jobs accepted count=1 job_ids={made['id']} request_id={trace}")
    shop.up.wait_for_log(rf"jobs scored routed=1 job_ids={made['id']} request_id={trace}")
    events = [one for one in shop.stores.events.after("0", 100_000) if one.subject == f"job/{made['id']}"]
    assert [one.data["request_id"] for one in events if one.kind in {"job.accepted", "job.routed"}] == [trace, trace]

"""A running service for tests that break what it stands on: asked with time limits, looked into from beside."""

from __future__ import annotations

import http.client
import json
import os
import signal
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import redis

from tests.service import api_bodies as bodies
from tests.service.customers import opened, stock
from tests.service.processes import Running, running, wait_until
from workers.store.stores import Stores

COMMAND = (sys.executable, "-P", "-m", "service.cli")
SETTLED = {"routed", "bound", "unroutable", "printing"}


@dataclass(frozen=True)
class Told:
    """An answer. seconds: how long it took."""

    status: int
    headers: dict[str, str]
    body: bytes
    seconds: float

    @property
    def json(self) -> Any:
        return json.loads(self.body)


@dataclass
class Service:
    """folder: as the tests see it. inside: the same as the service sees it, through its mount namespace."""

    run: Running
    port: int
    folder: Path
    kept: list[str] = field(default_factory=list)  # ids of all jobs that came with a 202

    @property
    def inside(self) -> Path:
        return Path(f"/proc/{self.run.process.pid}/root{self.folder}")

    @property
    def url(self) -> str:
        return f"unix://{self.inside / 'data' / 'redis' / 'redis.sock'}"

    @property
    def stores(self) -> Stores:
        return opened(self.url)

    @property
    def redis(self) -> redis.Redis:
        return redis.Redis.from_url(self.url, socket_timeout=10)

    def ask(self, method: str, path: str, body: Any = None, timeout_s: float = 30.0, **headers: str) -> Told:
        """One request, not tried again. Raises OSError where the connection breaks."""
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        sent = body if isinstance(body, bytes) or body is None else json.dumps(body).encode()
        if sent is not None:
            named.setdefault("Content-Type", "application/json")
        began = time.monotonic()
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=timeout_s)
        try:
            connection.request(method, path, sent, named)
            answer = connection.getresponse()
            text = answer.read()
            headers_in = {name.lower(): value for name, value in answer.getheaders()}
            return Told(answer.status, headers_in, text, time.monotonic() - began)
        finally:
            connection.close()

    def hand_in(self, **headers: str) -> Told:
        answer = self.ask("POST", "/v1/jobs", bodies.job(), **headers)
        if answer.status == 202:
            self.kept.append(answer.json["id"])
        return answer

    def status(self, method: str, path: str) -> int:
        """0 where there is no answer."""
        try:
            return self.ask(method, path).status
        except (OSError, http.client.HTTPException):
            return 0

    def is_ready(self) -> bool:
        return self.status("GET", "/readyz") == 200

    def await_ready(self) -> None:
        wait_until(self.is_ready, "readiness")

    def require_all_kept_and_routed(self) -> None:
        for job_id in self.kept:
            wait_until(lambda job_id=job_id: self._state(job_id) in SETTLED, f"the routing of {job_id}")

    def _state(self, job_id: str) -> str:
        answer = self.ask("GET", f"/v1/jobs/{job_id}")
        assert answer.status == 200, answer
        return str(answer.json["state"])

    def pid(self, child: str) -> int:
        return self.run.pid_of(child)

    @contextmanager
    def stopped(self, *pids: int) -> Iterator[None]:
        """Processes that stand still: SIGSTOP, and SIGCONT at the end."""
        for pid in pids:
            os.kill(pid, signal.SIGSTOP)
        try:
            yield
        finally:
            for pid in pids:
                os.kill(pid, signal.SIGCONT)


@contextmanager
def serving(
    folder: Path, *arguments: str, before: Sequence[str] = (), stocked: bool = True, **environ: str
) -> Iterator[Service]:
    """`borewright up` in a folder, ready and stocked. before: a command that runs it (it ends in exec)."""
    command = [*before, *COMMAND, "up", "--data", str(folder / "data"), "--port", "0", *arguments]
    with running(command, folder / "log", BOREWRIGHT_REDIS_URL="", **environ) as up:
        port = int(up.wait_for_log(r"Borewright is ready at http://127\.0\.0\.1:(\d+)")[-1])
        if stocked:
            stock(port)
        yield Service(up, port, folder)


def require_not_now(answer: Told) -> None:
    """503 as RFC 9110 section 15.6.4 has it, with Retry-After, and a problem (RFC 9457) that tells no internals."""
    assert (answer.status, answer.headers["content-type"]) == (503, "application/problem+json"), answer
    assert int(answer.headers["retry-after"]) > 0
    assert answer.json["type"] == "urn:borewright:problem:unavailable"
    assert b"Traceback" not in answer.body
    assert b"redis.sock" not in answer.body


def require_page_not_now(answer: Told) -> None:
    assert (answer.status, answer.headers["content-type"]) == (503, "text/html; charset=utf-8"), answer
    assert int(answer.headers["retry-after"]) > 0
    assert b"Traceback" not in answer.body

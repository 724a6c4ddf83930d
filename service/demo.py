"""`borewright demo`: the whole service in a temporary folder, an invented shop, its jobs and their routings.

Everything goes over HTTP, as another program's requests would.
"""

from __future__ import annotations

import http.client
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Any
from urllib.parse import urlsplit

from service.demo_data import bodies
from service.demo_report import Report, opening, width_of
from service.settings import PREFIX

START_S = 60.0  # Redis, workers and the WSGI server from cold on a slow machine
ROUTE_S = 60.0  # all jobs, on a slow machine
STOP_S = 40.0
ASK_AGAIN_S = 0.1
SETTLED = frozenset({"routed", "bound", "unroutable", "failed"})
_READY = re.compile(r"http://\S+")


class DemoError(RuntimeError):
    """The demo cannot go on; the text is one sentence for the user."""


@dataclass(frozen=True, slots=True)
class Client:
    """JSON over HTTP to one address. Raises DemoError for what the service refuses or does not answer."""

    host: str
    port: int
    timeout_s: float = 30.0

    def get(self, path: str) -> dict[str, Any]:
        return self._ask("GET", path)

    def post(self, path: str, body: Mapping[str, Any], **headers: str) -> dict[str, Any]:
        return self._ask("POST", path, body, headers)

    def put(self, path: str, body: Mapping[str, Any], **headers: str) -> dict[str, Any]:
        return self._ask("PUT", path, body, headers)

    def _ask(
        self, method: str, path: str, body: Mapping[str, Any] | None = None, headers: Mapping[str, str] | None = None
    ) -> dict[str, Any]:
        sent = {name.replace("_", "-"): value for name, value in (headers or {}).items()}
        payload = None if body is None else json.dumps(body).encode()
        if payload is not None:
            sent["Content-Type"] = "application/json"
        connection = http.client.HTTPConnection(self.host, self.port, timeout=self.timeout_s)
        try:
            connection.request(method, path, payload, sent)
            answer = connection.getresponse()
            text = answer.read().decode()
        except (OSError, http.client.HTTPException) as error:
            raise DemoError(f"The service does not answer {method} {path}: {error}.") from error
        finally:
            connection.close()
        if answer.status >= 400:
            raise DemoError(f"The service refused {method} {path} with {answer.status}: {text[:600]}")
        return dict(json.loads(text)) if text else {}


def run_demo(keep: bool, port: int | None) -> int:
    """Show the demo; ``keep`` goes on serving until Ctrl-C. Gives the exit code: 0, or 1 when it failed."""
    folder = Path(tempfile.mkdtemp(prefix="borewright-demo-"))
    try:
        with _stack(folder, port) as (client, process):
            _say(opening(bodies.shop_name(), width_of()))
            load_shop(client, time.time())
            failed = show_jobs(client, hand_in(client, time.time()))
            if keep:
                _keep_serving(client, process)
    except DemoError as error:
        print(f"borewright: {error}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 0 if keep else 1
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return 1 if failed else 0


def load_shop(client: Client, now: float) -> None:
    """Bring the demo's machines, nozzles, materials, spools and calibrations into the shop."""
    for thing in bodies.things(now):
        client.post(f"/v1/{thing.plural}", thing.body)
    for thing in bodies.things(now):
        path = f"/v1/{thing.plural}/{thing.body['id']}"
        if thing.on is not None:
            way = "mounting" if thing.plural == "nozzles" else "loading"
            client.post(f"{path}/{way}", {"machine_id": thing.on[0], "slot": thing.on[1]}, If_Match="*")
        if thing.down is not None:
            client.put(f"{path}/state", {"state": "down", "reason": thing.down}, If_Match="*")


def hand_in(client: Client, now: float) -> list[tuple[str, bodies.DemoJob]]:
    """Hand in the demo's jobs, one by one; gives their ids with them."""
    return [(str(client.post("/v1/jobs", one.body)["id"]), one) for one in bodies.jobs(now)]


def show_jobs(client: Client, handed_in: list[tuple[str, bodies.DemoJob]]) -> int:
    """Wait for each routing and print it with its reasons; gives how many jobs could not be worked out.

    Raises DemoError past the deadline.
    """
    deadline, report, failed = time.monotonic() + ROUTE_S, Report(width_of()), 0
    for job_id, one in handed_in:
        name = str(one.body["name"])
        job = _settled(client, job_id, deadline)
        if job["state"] == "failed":
            failed += 1
            _say(report.failure(name, job["reason"]))
        else:
            _say(report.routing(name, one.shows, client.get(f"/v1/jobs/{job_id}/routing")["explanation"]))
    return failed


def _settled(client: Client, job_id: str, deadline: float) -> dict[str, Any]:
    while True:
        job = client.get(f"/v1/jobs/{job_id}")
        if job["state"] in SETTLED:
            return job
        if time.monotonic() > deadline:
            raise DemoError(
                f"After {ROUTE_S:g} s the job {job_id} still is {job['state']!r}: the workers do not keep up or "
                "are not there. The lines above, on standard error, say more."
            )
        time.sleep(ASK_AGAIN_S)


@contextmanager
def _stack(folder: Path, port: int | None) -> Iterator[tuple[Client, subprocess.Popen[str]]]:
    """The whole service in a process of its own, ended with everything that belongs to it."""
    with _terminable():
        process = subprocess.Popen(
            (sys.executable, "-P", "-m", "service.cli", "up", "--data", str(folder), "--port", str(port or 0)),
            env=_environ(),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            text=True,
            start_new_session=True,  # Ctrl-C at the terminal is ours to pass on
        )
        try:
            yield _ready_client(process), process
        finally:
            _end(process)


def _environ() -> dict[str, str]:
    """Our own environment without the service's settings: a demo never touches a real shop's Redis."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith(PREFIX)}
    return kept | {f"{PREFIX}LOG_LEVEL": "WARNING"}


def _ready_client(process: subprocess.Popen[str]) -> Client:
    """Wait for the line that names the address. Raises DemoError where it does not come."""
    killer = _Deadline(process, START_S)
    with killer:
        for line in process.stdout or ():
            if found := _READY.search(line):
                address = urlsplit(found[0])
                return Client(address.hostname or "127.0.0.1", address.port or 80)
    reason = f"did not come up within {START_S:g} s" if killer.passed else "ended before it was ready"
    raise DemoError(f"The service {reason}; the lines above, on standard error, say why.")


class _Deadline:
    """Ends a process that is still silent after so many seconds."""

    def __init__(self, process: subprocess.Popen[str], seconds: float) -> None:
        self._process, self.passed = process, False
        self._timer = threading.Timer(seconds, self._pass)

    def _pass(self) -> None:
        self.passed = True
        self._process.terminate()

    def __enter__(self) -> None:
        self._timer.start()

    def __exit__(self, *_: object) -> None:
        self._timer.cancel()


def _end(process: subprocess.Popen[str]) -> None:
    """SIGTERM lets the supervisor end its children in order; only a stuck one is killed."""
    process.terminate()
    try:
        process.wait(STOP_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


@contextmanager
def _terminable() -> Iterator[None]:
    """Let SIGTERM end the demo as Ctrl-C does, so that nothing is left running behind it."""

    def interrupt(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def _keep_serving(client: Client, process: subprocess.Popen[str]) -> None:
    """Wait for Ctrl-C. Raises DemoError where the service ends by itself."""
    _say(f"Still serving at http://{client.host}:{client.port}/ (Ctrl-C ends it).\n")
    process.wait()
    raise DemoError(f"The service ended by itself with exit code {process.returncode}.")


def _say(text: str) -> None:
    print(text, flush=True)

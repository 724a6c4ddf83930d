"""The HTTP server as it runs: callers that are slow, long-winded or too many. On a real process without workers."""

from __future__ import annotations

import http.client
import json
import re
import socket
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from service import paced_server
from service.paced_server import PATIENCE_S, PacedSocket
from service.redis_server import EmbeddedRedis
from tests.service import api_bodies as bodies
from tests.service.customers import opened, stock
from tests.service.processes import running
from workers.store.stores import Stores

COMMAND = [sys.executable, "-P", "-m", "service.cli", "api", "--port", "0"]
INBOX, STREAMS, THREADS, PARTS = 5, 2, 8, 1
GRACE_S = 4.0  # of a loaded machine


class Rim:
    def __init__(self, port: int, stores: Stores) -> None:
        self.port, self.stores = port, stores

    def connection(self) -> socket.socket:
        return socket.create_connection(("127.0.0.1", self.port), timeout=30)

    def ask(self, method: str, path: str, body: Any = None, **headers: str) -> tuple[int, Any, Any]:
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        sent = body if isinstance(body, bytes) or body is None else json.dumps(body).encode()
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        try:
            connection.request(method, path, sent, {"Content-Type": "application/json"} | named)
            answer = connection.getresponse()
            return answer.status, answer.headers, json.loads(answer.read() or b"null")
        finally:
            connection.close()


@pytest.fixture(scope="module")
def rim(redis_binary: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rim]:
    folder = tmp_path_factory.mktemp("rim")
    limits = {
        "BOREWRIGHT_API_PROCESSES": "1",
        "BOREWRIGHT_API_THREADS": str(THREADS),
        "BOREWRIGHT_INBOX_LIMIT": str(INBOX),
        "BOREWRIGHT_EVENT_STREAMS": str(STREAMS),
        "BOREWRIGHT_ANALYSES_LIMIT": str(PARTS),
    }
    with (
        EmbeddedRedis(folder / "redis", redis_binary) as server,
        running(COMMAND, folder / "log", BOREWRIGHT_REDIS_URL=server.url, **limits) as api,
    ):
        port = int(api.wait_for_log(r"Listening at: http://127\.0\.0\.1:(\d+)")[-1])
        api.wait_for_log("Booting worker")
        stock(port)
        yield Rim(port, opened(server.url))
        assert "Traceback" not in api.log


# --- slow callers -----------------------------------------------------------------------------------------------


HEAD = b"POST /v1/jobs HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n"
DRIPS = {
    "a request line": b"POST /v1/jobs HT",
    "headers": HEAD + b"X-Long: ",
    "a body": HEAD + b"Content-Length: 100000\r\n\r\n{",
}


def drip(rim: Rim, begin: bytes) -> tuple[bytes, float]:
    """A byte every fifth of a second until it is answered; what that was, and after how long."""
    with rim.connection() as caller:
        began = time.monotonic()
        caller.sendall(begin)
        caller.settimeout(0.2)
        while time.monotonic() - began < 60:
            try:
                first, seconds = caller.recv(65_536), time.monotonic() - began
                caller.settimeout(10)
                return first + _read_until(caller, b"}"), seconds
            except TimeoutError:
                caller.sendall(b"x")
    return b"", 60.0


def test_callers_that_drip_are_given_up_on_and_hold_up_nobody(rim: Rim) -> None:
    """RFC 9110 section 15.5.9 (408)."""
    with ThreadPoolExecutor(3) as pool:
        dripping = {what: pool.submit(drip, rim, begin) for what, begin in DRIPS.items()}
        time.sleep(1.0)
        began = time.monotonic()
        assert rim.ask("GET", "/healthz")[0] == 200
        assert time.monotonic() - began < 2.0
        for what, one in dripping.items():
            answer, seconds = one.result()
            head, _, body = answer.partition(b"\r\n\r\n")
            assert head.startswith(b"HTTP/1.1 408 "), (what, answer)
            assert b"application/problem+json" in head
            assert json.loads(body)["type"] == "urn:borewright:problem:too-slow"
            assert PATIENCE_S - 1 < seconds < PATIENCE_S + GRACE_S


def test_a_body_has_more_time_the_longer_it_is() -> None:
    """Nothing is waited for here: the seconds left are what counts."""
    ours, theirs = socket.socketpair()
    with ours, theirs:
        paced = PacedSocket(ours)
        theirs.sendall(b"x" * paced_server.BYTES_PER_S * 3)
        while len(paced.recv(65_536)) and paced._left_s < PATIENCE_S + 2.5:
            pass
        assert PATIENCE_S + 2.5 <= paced._left_s <= PATIENCE_S + 3.0


def test_a_caller_that_takes_no_answer_is_given_up_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(paced_server, "SEND_S", 0.2)
    ours, theirs = socket.socketpair()
    with ours, theirs, pytest.raises(BrokenPipeError):
        PacedSocket(ours).sendall(b"x" * 10_000_000)


# --- what never reaches the application -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("status", "request_head"),
    [
        (414, b"GET /v1/jobs?x=" + b"y" * 9000 + b" HTTP/1.1\r\nHost: localhost\r\n\r\n"),
        (431, b"GET /v1/jobs HTTP/1.1\r\nHost: localhost\r\nX-Long: " + b"y" * 9000 + b"\r\n\r\n"),
        (431, b"GET /v1/jobs HTTP/1.1\r\nHost: localhost\r\n" + b"X-One: y\r\n" * 200 + b"\r\n"),
        (400, b"no HTTP at all\r\n\r\n"),
        (400, b"GET /v1/jobs HTTP/9.9\r\nHost: localhost\r\n\r\n"),
        (400, b"POST /v1/jobs HTTP/1.1\r\nHost: localhost\r\nContent-Length: -5\r\n\r\n"),
        (400, b"POST /v1/jobs HTTP/1.1\r\nHost: h\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n"),
    ],
    ids=["address", "a header", "many headers", "no HTTP", "version", "length", "two lengths"],
)
def test_what_the_server_itself_refuses_has_the_shape_of_all_refusals(
    rim: Rim, status: int, request_head: bytes
) -> None:
    """RFC 9112 (request line, framing), RFC 6585 section 5 (431), RFC 9110 section 15.5.15 (414)."""
    with rim.connection() as caller:
        caller.sendall(request_head)
        answer = b""
        while block := caller.recv(65_536):
            answer += block
    head, _, body = answer.partition(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 %d " % status), answer
    assert b"application/problem+json" in head
    assert json.loads(body)["status"] == status


def test_more_readers_of_events_than_there_is_room_for_are_told_to_come_again(rim: Rim) -> None:
    readers = [rim.connection() for _ in range(STREAMS)]
    try:
        for reader in readers:
            reader.sendall(b"GET /v1/events HTTP/1.1\r\nHost: localhost\r\nAccept: text/event-stream\r\n\r\n")
            assert b"retry:" in _read_until(reader, b"retry:")
        status, headers, problem = rim.ask("GET", "/v1/events", Accept="text/event-stream, application/problem+json")
        assert (status, int(headers["Retry-After"]) > 0) == (503, True)
        assert str(STREAMS) in problem["detail"]
        assert rim.ask("GET", "/v1/jobs")[0] == 200
    finally:
        for reader in readers:
            reader.close()


def _read_until(reader: socket.socket, mark: bytes) -> bytes:
    seen = b""
    while mark not in seen and (block := reader.recv(4096)):
        seen += block
    return seen


# --- back-pressure ----------------------------------------------------------------------------------------------


def test_past_the_length_of_the_inbox_nothing_is_half_accepted(rim: Rim) -> None:
    for _ in range(INBOX - 2):
        assert rim.ask("POST", "/v1/jobs", bodies.job())[0] == 202
    refused, key = kept(rim), '"batch-1"'
    batch = {"jobs": [bodies.job() for _ in range(3)]}
    require_full(rim.ask("POST", "/v1/job-batches", batch, Idempotency_Key=key))
    assert kept(rim) == refused

    rim.stores.inbox.prepare()
    entries = rim.stores.inbox.take("test", 1)
    rim.stores.client.xdel(rim.stores.keys.inbox, entries[0].entry_id)  # room for one more, as after a routing
    status, _, answer = rim.ask("POST", "/v1/job-batches", batch, Idempotency_Key=key)
    assert (status, answer["accepted"]) == (202, 3)  # the refusal had freed the key
    assert rim.ask("POST", "/v1/job-batches", batch, Idempotency_Key=key)[2] == answer

    require_full(rim.ask("POST", "/v1/jobs", bodies.job()))
    require_full(rim.ask("POST", "/v1/jobs", _with_mesh(bodies.job()), Content_Type="multipart/form-data; boundary=x"))
    assert rim.ask("GET", "/v1/parts")[2]["items"] == []
    assert rim.stores.inbox.waiting() == INBOX


def test_a_caller_at_a_time_or_many_at_once_stop_at_the_same_length(rim: Rim) -> None:
    """The check comes before the write, so as many as there are threads may slip through, and no more."""
    with ThreadPoolExecutor(THREADS) as pool:
        list(pool.map(lambda _: rim.ask("POST", "/v1/jobs", bodies.job()), range(60)))
    assert rim.stores.inbox.waiting() <= INBOX + THREADS


def test_meshes_and_long_tasks_wait_in_lines_of_their_own_length(rim: Rim) -> None:
    mesh = {"Content_Type": "multipart/form-data; boundary=x"}
    assert rim.ask("POST", "/v1/parts", _form(b"solid one"), **mesh)[0] == 202
    require_full(rim.ask("POST", "/v1/parts", _form(b"solid two"), **mesh))
    assert len(rim.ask("GET", "/v1/parts")[2]["items"]) == 1
    while (told := rim.ask("POST", "/v1/plans", {"seconds": 1}))[0] == 202:
        pass
    require_full(told)
    waiting = len(rim.ask("GET", "/v1/plans?limit=100")[2]["items"])
    assert waiting == int(re.findall(r"the limit is (\d+)", told[2]["detail"])[0])


def require_full(told: tuple[int, Any, Any]) -> None:
    status, headers, problem = told
    assert (status, headers["Content-Type"]) == (503, "application/problem+json"), problem
    assert int(headers["Retry-After"]) > 0
    assert "limit" in problem["detail"]


def kept(rim: Rim) -> tuple[int, int, str]:
    """Jobs, entries of the inbox, and the last event."""
    stores = rim.stores
    return stores.client.zcard(stores.keys.jobs), stores.inbox.waiting(), stores.events.last_id()


def _form(mesh: bytes, **fields: str) -> bytes:
    parts = [f'--x\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{text}\r\n' for name, text in fields.items()]
    unit = "" if "unit" in fields else '--x\r\nContent-Disposition: form-data; name="unit"\r\n\r\nmm\r\n'
    head = '--x\r\nContent-Disposition: form-data; name="file"; filename="a.stl"\r\n\r\n'
    return ("".join(parts) + unit + head).encode() + mesh + b"\r\n--x--\r\n"


def _with_mesh(job: dict[str, Any]) -> bytes:
    return _form(b"solid three", job=json.dumps({k: v for k, v in job.items() if k != "summary"}))

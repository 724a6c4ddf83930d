"""A light closed-loop HTTP client for the benchmarks: keep-alive sockets, one process, a few connections."""

from __future__ import annotations

import itertools
import socket
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass

_NUMBERS = itertools.count(1)


@dataclass(frozen=True, slots=True)
class Measured:
    """requests answered with 2xx in ``seconds``; latencies_ms sorted."""

    requests: int
    seconds: float
    latencies_ms: tuple[float, ...]

    @property
    def rate(self) -> float:
        return self.requests / self.seconds

    def quantile(self, share: float) -> float:
        return self.latencies_ms[min(len(self.latencies_ms) - 1, int(share * len(self.latencies_ms)))]


def request_bytes(method: str, path: str, body: bytes = b"") -> bytes:
    head = f"{method} {path} HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n"
    return f"{head}Content-Length: {len(body)}\r\n\r\n".encode() + body


def run_load(port: int, requests: Sequence[bytes], seconds: float, connections: int = 4, mark: bytes = b"") -> Measured:
    """Send the requests in turn on each connection for so long; anything but 2xx raises.

    ``mark`` in a request is overwritten with a number of its own each time, so that no two are the same.
    """
    latencies: list[list[float]] = [[] for _ in range(connections)]
    end = time.perf_counter() + seconds
    threads = [
        threading.Thread(target=_one, args=(port, requests[i::connections] or requests, end, latencies[i], mark))
        for i in range(connections)
    ]
    started = time.perf_counter()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    taken = time.perf_counter() - started
    merged = sorted(latency for part in latencies for latency in part)
    return Measured(len(merged), taken, tuple(merged))


def _one(port: int, requests: Sequence[bytes], end: float, latencies: list[float], mark: bytes) -> None:
    with socket.create_connection(("127.0.0.1", port)) as sock:
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        at = 0
        while time.perf_counter() < end:
            started = time.perf_counter()
            sock.sendall(_unique(requests[at % len(requests)], mark))
            _read_answer(sock)
            latencies.append((time.perf_counter() - started) * 1000.0)
            at += 1


def _unique(request: bytes, mark: bytes) -> bytes:
    return request.replace(mark, f"{next(_NUMBERS):0{len(mark)}d}".encode()) if mark else request


def _read_answer(sock: socket.socket) -> None:
    data = b""
    while b"\r\n\r\n" not in data:
        data += _some(sock)
    head, _, body = data.partition(b"\r\n\r\n")
    if b" 2" not in head[:12]:
        raise RuntimeError(head.decode() + body.decode())
    length = int(head.lower().split(b"content-length:")[1].split(b"\r\n")[0])
    left = length - len(body)
    while left > 0:
        left -= len(_some(sock))


def _some(sock: socket.socket) -> bytes:
    data = sock.recv(1 << 18)
    if not data:
        raise RuntimeError("the server closed the connection")
    return data

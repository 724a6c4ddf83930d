"""How long callers wait for a Redis that is silent or slow: on sockets that the test holds itself."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import redis

from workers.store import patience
from workers.store.connection import connect

TIMEOUT_S = 0.3


class Silent:
    """Takes connections and reads what comes; answers only once it is told to, each piece after a pause."""

    def __init__(self, path: Path) -> None:
        self.url, self.speaks, self.pause_s, self.asked = f"unix://{path}", False, 0.0, 0
        self._socket = socket.socket(socket.AF_UNIX)
        self._socket.bind(str(path))
        self._socket.listen(50)
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._socket.accept()
            except OSError:
                return
            threading.Thread(target=self._serve, args=(connection,), daemon=True).start()

    def _serve(self, connection: socket.socket) -> None:
        while data := connection.recv(65_536):
            self.asked += data.count(b"PING")
            if self.speaks:
                time.sleep(self.pause_s)
                connection.sendall(
                    b"+OK\r\n" * (data.count(b"*") - data.count(b"PING")) + b"+PONG\r\n" * data.count(b"PING")
                )

    def close(self) -> None:
        self._socket.close()


@pytest.fixture
def silent(tmp_path: Path) -> Iterator[Silent]:
    server = Silent(tmp_path / "s")
    yield server
    server.close()


@pytest.fixture
def client(silent: Silent) -> redis.Redis:
    return connect(silent.url + "?protocol=2&lib_name=&lib_version=", timeout_s=TIMEOUT_S, answers_others=True)


def seconds_of(call) -> float:
    began = time.monotonic()
    with pytest.raises(redis.TimeoutError):
        call()
    return time.monotonic() - began


def test_the_first_finds_out_and_the_others_are_refused_at_once(client: redis.Redis) -> None:
    assert seconds_of(client.ping) >= TIMEOUT_S
    assert max(seconds_of(client.ping) for _ in range(10)) < TIMEOUT_S / 2


def test_one_at_a_time_finds_out_whether_it_answers_again(
    client: redis.Redis, silent: Silent, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(patience, "PAUSE_S", 0.05)
    seconds_of(client.ping)
    time.sleep(0.1)
    threads = [threading.Thread(target=seconds_of, args=(client.ping,)) for _ in range(8)]
    before = silent.asked
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert silent.asked - before <= 1
    silent.speaks = True
    time.sleep(0.1)
    assert client.ping()
    assert all(client.ping() for _ in range(5))


def test_a_request_has_so_many_seconds_in_all(client: redis.Redis, silent: Silent) -> None:
    silent.speaks, silent.pause_s = True, 0.1
    client.ping()
    patience.begin_request(0.25)
    try:
        for _ in range(3):
            client.ping()  # 0.3 s in all: the last one ends it
        assert seconds_of(client.ping) < 0.05
    finally:
        patience.end_request()
    assert client.ping()

"""Events over HTTP: pages, and streams that are picked up again without a gap or a repetition."""

from __future__ import annotations

import http.client
import json
import random
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest
import redis
from werkzeug.serving import make_server

from service.event_streams import lines
from tests.service.conftest import Caller
from workers.store.events import EventLog, add_event
from workers.store.keys import Keys

EVENTS = 10_000
STREAM = {"Accept": "text/event-stream"}


def tell(client: redis.Redis, numbers: range, writer: int = 0) -> None:
    with client.pipeline(transaction=True) as pipe:
        for number in numbers:
            add_event(pipe, Keys(), "test.told", f"test/{writer}", 1_780_000_000.0, {"writer": writer, "n": number})
        pipe.execute()


@contextmanager
def served(api: Caller) -> Iterator[int]:
    server = make_server("127.0.0.1", 0, api.app, threaded=True)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield server.server_port
    finally:
        server.shutdown()
        thread.join(10)
        server.server_close()


class Reader:
    """Reads a stream as a browser's does: fields up to a blank line; comments and other fields are passed over."""

    def __init__(self, port: int, last_id: str | None = "0") -> None:
        self.port, self.last_id, self.got, self.comments = port, last_id, [], 0

    def read(self, count: int, enough: Callable[[], bool] = lambda: False) -> None:
        """Connect, take so many events, and break the connection off."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        headers = STREAM if self.last_id is None else {**STREAM, "Last-Event-ID": self.last_id}
        connection.request("GET", "/v1/events", headers=headers)
        answer = connection.getresponse()
        assert answer.status == 200
        assert answer.headers["Content-Type"].startswith("text/event-stream")
        fields: dict[str, str] = {}
        while count > 0 and not enough():
            line = answer.readline().decode().rstrip("\n")
            if line:
                name, _, value = line.partition(":")
                fields[name] = value.removeprefix(" ")
                continue
            if "id" in fields:
                self.got.append(json.loads(fields["data"]))
                self.last_id = fields["id"]
                count -= 1
            fields = {}
        connection.close()


def test_ten_thousand_events_with_readers_that_come_and_go_none_missed_none_twice(
    make_api: Callable[..., Caller], redis_url: str
) -> None:
    api = make_api(event_streams=500, api_threads=512)
    tell(api.stores.client, range(1))
    with served(api) as port:
        readers = [Reader(port) for _ in range(4)]

        def follow(reader: Reader, rng: random.Random) -> None:
            while len(reader.got) < EVENTS + 1:
                reader.read(rng.randint(1, 900), lambda: len(reader.got) >= EVENTS + 1)

        def write(writer: int) -> None:
            client = redis.Redis.from_url(redis_url)
            for start in range(0, EVENTS // 4, 50):
                tell(client, range(start, start + 50), writer)

        threads = [threading.Thread(target=follow, args=(one, random.Random(i))) for i, one in enumerate(readers)]
        threads += [threading.Thread(target=write, args=(writer,)) for writer in range(1, 5)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(120)
    truth = [event.id for event in api.stores.events.after("0", EVENTS * 2)]
    assert len(truth) == EVENTS + 1
    for reader in readers:
        assert [event["id"] for event in reader.got] == truth


def test_a_stream_without_an_id_begins_with_what_comes_next(api: Caller) -> None:
    tell(api.stores.client, range(3))
    with served(api) as port:
        reader = Reader(port, None)
        thread = threading.Thread(target=reader.read, args=(1,))
        thread.start()
        while not reader.got:
            tell(api.stores.client, range(7, 8))
            thread.join(0.1)
    assert reader.got[0]["data"]["n"] == 7


def test_streams_past_their_number_are_sent_away_with_a_time_to_wait(make_api: Callable[..., Caller]) -> None:
    api = make_api(event_streams=1)
    first = api.client.get("/v1/events", headers=STREAM, buffered=False)
    refused = api.client.get("/v1/events", headers=STREAM)
    assert refused.status_code == 503
    assert int(refused.headers["Retry-After"]) >= 1
    assert refused.mimetype == "application/problem+json"
    first.close()
    again = api.client.get("/v1/events", headers=STREAM, buffered=False)
    assert again.status_code == 200
    again.close()


def test_a_stream_says_when_to_come_again_and_keeps_itself_alive(redis_client: redis.Redis) -> None:
    """WHATWG HTML 9.2.6: retry sets the reconnection time; a line that begins with a colon is a comment."""

    class Silent(EventLog):
        def wait(self, event_id: str, block_ms: int, count: int = 100) -> list:
            moments[0] += 16.0
            return []

    moments = [0.0]
    stream = lines(Silent(redis_client, Keys()), "0", clock=lambda: moments[0])
    sent = list(stream)
    assert sent[0] == b"retry: 1000\n\n"
    assert sent[1].startswith(b":")
    assert sent[1].endswith(b"\n\n")
    assert 10 < len(sent) < 100  # and it ends by itself


def test_pages_are_picked_up_by_the_last_id(api: Caller) -> None:
    tell(api.stores.client, range(5))
    first = api.get("/v1/events?limit=3").json
    assert ([event["data"]["n"] for event in first["items"]], first["more"], first["gap"]) == ([0, 1, 2], True, False)
    second = api.get(f"/v1/events?after={first['last_id']}").json
    assert ([event["data"]["n"] for event in second["items"]], second["more"]) == ([3, 4], False)
    third = api.get(f"/v1/events?after={second['last_id']}").json
    assert (third["items"], third["last_id"]) == ([], second["last_id"])


def test_events_that_are_no_longer_kept_are_said_to_be_missing(api: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    tell(api.stores.client, range(20))
    old = api.get("/v1/events?limit=1").json["last_id"]
    api.stores.client.xtrim(Keys().events, maxlen=10, approximate=False)
    monkeypatch.setattr("workers.store.events.EVENTS_KEPT", 10)
    assert api.get(f"/v1/events?after={old}").json["gap"] is True
    newest = api.stores.events.last_id()
    assert api.get(f"/v1/events?after={newest}").json["gap"] is False


def test_an_id_that_is_none_is_refused(api: Caller) -> None:
    assert api.get("/v1/events?after=yesterday").status_code == 422
    answer = api.client.get("/v1/events", headers={**STREAM, "Last-Event-ID": "yesterday"})
    assert answer.status_code == 422

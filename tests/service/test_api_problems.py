"""Failures: what the caller sees of them, and what not."""

from __future__ import annotations

import errno
import logging

import pytest
import redis

from service.problems import is_not_now
from tests.service import api_bodies as bodies


def failing(error):
    def fail(*args, **kwargs):
        raise error

    return fail


def test_a_fault_of_ours_tells_its_log_number_and_nothing_else(api, monkeypatch, caplog):
    monkeypatch.setattr(type(api.stores.fleet), "get", failing(ValueError("secret path /srv/x")))
    with caplog.at_level(logging.ERROR):
        answer = api.get("/v1/machines/alder")
    assert (answer.status_code, answer.mimetype) == (500, "application/problem+json")
    assert "secret" not in answer.text
    assert answer.json["request_id"] in caplog.text
    assert "secret path" in caplog.text


NOT_NOW = [
    redis.ConnectionError("refused"),
    redis.TimeoutError("slow"),
    redis.BusyLoadingError("LOADING"),
    redis.ReadOnlyError("READONLY You can't write against a read only replica."),
    redis.exceptions.OutOfMemoryError("OOM command not allowed"),
    redis.ResponseError("MISCONF Errors writing to the AOF file: No space left on device"),
    redis.exceptions.ExecAbortError("Transaction discarded because of previous errors."),
    redis.ResponseError(
        "Error running script (call to f_1): @user_script:3: @user_script: 3: -OOM command not allowed"
    ),
    redis.ResponseError("UNBLOCKED force unblock from blocking operation, instance state changed"),
]


@pytest.mark.parametrize("error", NOT_NOW, ids=lambda error: type(error).__name__)
def test_a_store_that_cannot_now_is_503_with_a_time_to_wait(api, monkeypatch, error):
    monkeypatch.setattr(type(api.stores.fleet), "get", failing(error))
    answer = api.get("/v1/machines/alder")
    assert (answer.status_code, answer.json["type"]) == (503, "urn:borewright:problem:unavailable")
    assert int(answer.headers["Retry-After"]) > 0
    assert str(error) not in answer.text


def test_a_full_disk_is_503_and_any_other_fault_of_the_host_ours(api, monkeypatch):
    monkeypatch.setattr(type(api.stores.fleet), "get", failing(OSError(errno.ENOSPC, "No space left on device")))
    answer = api.get("/v1/machines/alder")
    assert (answer.status_code, answer.json["type"]) == (503, "urn:borewright:problem:unavailable")
    assert int(answer.headers["Retry-After"]) > 0
    monkeypatch.setattr(type(api.stores.fleet), "get", failing(OSError(errno.EIO, "Input/output error")))
    assert api.get("/v1/machines/alder").status_code == 500


def test_a_wrong_command_is_our_fault_not_the_stores():
    assert not is_not_now(redis.ResponseError("WRONGTYPE Operation against a key holding the wrong kind of value"))
    assert not is_not_now(
        redis.ResponseError("Error running script (call to f_1): @user_script:3: attempt to call nil")
    )


def test_without_a_store_the_service_is_alive_and_not_ready():
    from service.app import create_app
    from service.settings import Settings

    client = create_app(Settings(redis_url="unix:///nonexistent/redis.sock")).test_client()
    assert client.get("/healthz").status_code == 200
    assert client.get("/readyz").status_code == 503
    assert client.post("/v1/jobs", json=bodies.job()).status_code == 503
    assert client.get("/openapi.json").status_code == 200


@pytest.mark.parametrize("access", ["open", "keys"])
def test_without_a_store_no_one_is_let_in_or_told_a_fault_of_ours(access):
    from service.app import create_app
    from service.settings import Settings

    settings = Settings(redis_url="unix:///nonexistent/redis.sock", access=access, rate_limit_per_min=5)
    client = create_app(settings).test_client()
    key = {"Authorization": f"Bearer bwk_{'0' * 26}_{'A' * 43}"}
    for _ in range(8):
        assert client.get("/healthz").status_code == 200
        for answer in (client.get("/v1/jobs", headers=key), client.post("/v1/jobs", json={}, headers=key)):
            assert (answer.status_code, answer.mimetype) == (503, "application/problem+json")
            assert answer.headers["Retry-After"]
        assert client.get("/", headers=key).status_code == 503


def test_ready_means_that_a_write_was_taken_and_a_worker_lives(api):
    refused = api.get("/readyz")
    assert (refused.status_code, "worker" in refused.json["detail"]) == (503, True)
    api.stores.presence.beat("geometry", "g")
    assert api.get("/readyz").status_code == 503
    api.stores.presence.beat("routing", "r")
    assert api.get("/readyz").json == {"status": "ready"}


def test_many_bad_fields_are_cut_at_a_hundred(api):
    answer = api.post("/v1/nozzles", {f"field-{number}": 1 for number in range(500)})
    assert (answer.status_code, len(answer.json["errors"])) == (422, 100)

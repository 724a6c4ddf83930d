"""What the tests of the API share: the app on the real Redis of the session, and a caller of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import redis
from flask import Flask
from flask.testing import FlaskClient
from playwright.sync_api import Browser
from werkzeug.test import TestResponse

from service.app import create_app
from service.settings import Settings
from tests.service import api_bodies as bodies
from tests.service.browsers import PLAIN, a_browser


class Caller:
    """Speaks to the API as a program would; ``stores`` is what the app keeps."""

    def __init__(self, app: Flask) -> None:
        self.app, self.client = app, app.test_client()
        self.stores = app.extensions["borewright"].stores

    def get(self, path: str, **headers: str) -> TestResponse:
        return self.client.get(path, headers=_named(headers))

    def post(self, path: str, body: Any = None, **headers: str) -> TestResponse:
        return self.client.post(path, json=body, headers=_named(headers))

    def put(self, path: str, body: Any, **headers: str) -> TestResponse:
        return self.client.put(path, json=body, headers=_named(headers))

    def delete(self, path: str, **headers: str) -> TestResponse:
        return self.client.delete(path, headers=_named(headers))

    def made(self, path: str, body: Any) -> dict[str, Any]:
        """What a POST has created; the test fails where it was refused."""
        answer = self.post(path, body)
        assert answer.status_code in {201, 202}, answer.text
        return dict(answer.json)

    def stocked(self) -> Caller:
        """One machine with a mounted 0.4 nozzle, one material on one spool."""
        self.made("/v1/machines", bodies.machine())
        self.made("/v1/nozzles", bodies.nozzle(machine_id="alder", slot=1))
        self.made("/v1/materials", bodies.material())
        self.made("/v1/spools", bodies.spool(machine_id="alder", slot=1))
        return self


def _named(headers: dict[str, str]) -> dict[str, str]:
    return {name.replace("_", "-"): value for name, value in headers.items()}


@pytest.fixture
def make_api(redis_client: redis.Redis, redis_url: str) -> Callable[..., Caller]:
    """An app with settings of the test's own on an empty store."""
    return lambda **settings: Caller(create_app(Settings(redis_url=redis_url, **settings)))


@pytest.fixture
def api(make_api: Callable[..., Caller]) -> Caller:
    return make_api()


@pytest.fixture
def shop(api: Caller) -> Caller:
    """The API of a small shop that can print."""
    return api.stocked()


@pytest.fixture
def client(api: Caller) -> FlaskClient:
    return api.client


@pytest.fixture(scope="module")
def browser(chromium: Path, request: pytest.FixtureRequest) -> Iterator[Browser]:
    """One a module, with its CHROMIUM_FLAGS if it has any."""
    with a_browser(chromium, getattr(request.module, "CHROMIUM_FLAGS", PLAIN)) as started:
        yield started

"""The demo's shop and jobs brought into an app under test, through its own REST interface."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from typing import Any

from flask import Flask

from service.demo import hand_in, load_shop

Renamed = Callable[[str], str]


class AppClient:
    """What the demo's HTTP client does, on an app in this process; every answer must be a good one.

    renamed: what becomes of the name of each thing that is made.
    """

    def __init__(self, app: Flask, renamed: Renamed = str) -> None:
        self._client, self._renamed = app.test_client(), renamed

    def post(self, path: str, body: Mapping[str, Any], **headers: str) -> dict[str, Any]:
        return self._ask("POST", path, body, headers)

    def put(self, path: str, body: Mapping[str, Any], **headers: str) -> dict[str, Any]:
        return self._ask("PUT", path, body, headers)

    def _ask(self, method: str, path: str, body: Mapping[str, Any], headers: Mapping[str, str]) -> dict[str, Any]:
        if "name" in body:
            body = {**body, "name": self._renamed(body["name"])}
        sent = {name.replace("_", "-"): value for name, value in headers.items()}
        answer = self._client.open(path, method=method, json=dict(body), headers=sent)
        assert answer.status_code < 400, answer.text
        return dict(answer.get_json())


def load_demo_shop(app: Flask, renamed: Renamed = str) -> None:
    load_shop(AppClient(app, renamed), time.time())  # type: ignore[arg-type]


def hand_in_demo_jobs(app: Flask, renamed: Renamed = str) -> dict[str, str]:
    """Job ids by the names that the demo has for them."""
    client = AppClient(app, renamed)
    return {str(one.body["name"]): job_id for job_id, one in hand_in(client, time.time())}  # type: ignore[arg-type]

"""What the browser tests of the operator's pages share: a live server that can be restarted, and watched pages."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlsplit

import redis
from flask import Flask
from playwright.sync_api import Browser, BrowserContext, Page
from werkzeug.serving import BaseWSGIServer, make_server

from service.app import create_app
from service.settings import Settings
from tests.service.browsers import PATIENCE_MS
from workers.store.stores import Stores
from workers.tasks import drain_and_bind


@dataclass(slots=True)
class Server:
    """An app on a port that it keeps over a restart."""

    app: Flask
    port: int = 0
    _running: BaseWSGIServer | None = None
    _thread: threading.Thread | None = None
    _open: list[socket.socket] = field(default_factory=list)

    def start(self) -> Server:
        self._running = make_server("127.0.0.1", self.port, self.app, threaded=True)
        accept = self._running.get_request
        self._running.get_request = lambda: self._kept(accept())  # type: ignore[method-assign]
        self.port = self._running.port
        self._thread = threading.Thread(target=self._running.serve_forever, daemon=True)
        self._thread.start()
        return self

    def stop(self) -> None:
        assert self._running is not None
        assert self._thread is not None
        self._running.shutdown()
        self._thread.join(timeout=10)
        for one in self._open:  # as when the process ends: event streams break off
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
        self._open.clear()
        self._running.socket.close()

    def _kept(self, accepted: tuple[socket.socket, Any]) -> tuple[socket.socket, Any]:
        self._open.append(accepted[0])
        return accepted

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def stores(self) -> Stores:
        stores: Stores = self.app.extensions["borewright"].stores
        return stores

    def work(self) -> None:
        """What a worker does when the bell rings."""
        drain_and_bind(self.stores, "test")


@contextmanager
def empty_server(redis_url: str) -> Iterator[Server]:
    """A server over a store that was emptied first."""
    with redis.Redis.from_url(redis_url) as client:
        client.flushall()
    server = Server(create_app(Settings(redis_url=redis_url))).start()
    yield server
    server.stop()


@dataclass
class Seen:
    """Pages of one reader and everything that went wrong on them."""

    context: BrowserContext
    host: str
    faults: list[str] = field(default_factory=list)

    def open(self, path: str, status: int = 200) -> Page:
        page = self.watched()
        self.go(page, path, status)
        return page

    def go(self, page: Page, path: str, status: int = 200) -> None:
        """On to another page in the same tab, which is quicker than a new one."""
        answer = page.goto(path)
        assert answer is not None
        assert answer.status == status, path

    def watched(self) -> Page:
        """A new tab; whatever goes wrong in it is a fault."""
        page = self.context.new_page()
        page.on(
            "console", lambda m: self.faults.append(f"{m.type}: {m.text}") if m.type in {"error", "warning"} else None
        )
        page.on("pageerror", lambda e: self.faults.append(f"script: {e}"))
        page.on("request", lambda r: self._own(r.url))
        return page

    def _hear(self, kind: str, text: str) -> None:
        if kind in {"error", "warning"}:
            self.faults.append(f"{kind}: {text}")

    def _own(self, url: str) -> None:
        if urlsplit(url).scheme not in {"data", "blob"} and urlsplit(url).netloc != self.host:
            self.faults.append(f"left the host: {url}")


@contextmanager
def reader(browser: Browser, server: Server, **options: object) -> Iterator[Seen]:
    """A reader with a browser of their own; the test fails where anything went wrong on a page."""
    context = browser.new_context(base_url=server.address, **options)  # type: ignore[arg-type]
    context.set_default_timeout(PATIENCE_MS)
    seen = Seen(context, urlsplit(server.address).netloc)
    yield seen
    context.close()
    assert seen.faults == []


def until(page: Page, function: str, arg: Any = None) -> None:
    """Wait until a function of the page gives true. Playwright's own wait asks again by eval: our policy forbids it."""
    last = time.monotonic() + PATIENCE_MS / 1000
    while not page.evaluate(function, arg):
        assert time.monotonic() < last, f"never true: {function}"
        page.wait_for_timeout(50)

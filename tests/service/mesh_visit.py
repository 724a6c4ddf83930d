"""A stranger with a mesh before a live server: the browser, what goes wrong in it, and the worker's turn."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from axe_playwright_python.sync_playwright import Axe
from flask import Flask
from playwright.sync_api import Browser, Page
from werkzeug.serving import make_server

from tests.geometry import shapes
from tests.service.browsers import PATIENCE_MS
from tests.service.demo_shop import load_demo_shop
from workers import tasks
from workers.model.job import JobState
from workers.model.record import JobRecord
from workers.store.stores import Stores

PLATE = shapes.stl(shapes.plate_with_holes([(6.0, 15.0, 20.0), (3.2, 40.0, 12.0), (10.0, 45.0, 28.0)]))


@dataclass(slots=True)
class Counter:
    """A live server with the demo's shop, and what its workers would do."""

    address: str
    stores: Stores

    def analyse(self) -> None:
        assert tasks.analyse_next(self.stores, "test") is not None

    def route(self) -> None:
        tasks.drain_inbox(self.stores, "test")

    def jobs(self, state: JobState) -> tuple[JobRecord, ...]:
        return self.stores.jobs.page(state).items


@contextmanager
def counter(app: Flask) -> Iterator[Counter]:
    load_demo_shop(app)
    server = make_server("127.0.0.1", 0, app, threaded=True)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield Counter(f"http://127.0.0.1:{server.port}", app.extensions["borewright"].stores)
    server.shutdown()
    thread.join(timeout=10)
    server.server_close()


@dataclass(slots=True)
class Visit:
    """A page and everything that went wrong on it."""

    page: Page
    host: str
    faults: list[str] = field(default_factory=list)

    def watch(self) -> None:
        page = self.page
        page.on("console", lambda m: self.faults.append(f"{m.type}: {m.text}") if m.type in WRONG else None)
        page.on("pageerror", lambda e: self.faults.append(f"script: {e}"))
        page.on("request", lambda r: self._own(r.url))

    def _own(self, url: str) -> None:
        if urlsplit(url).scheme not in {"data", "blob"} and urlsplit(url).netloc != self.host:
            self.faults.append(f"left the host: {url}")

    def give(self, data: bytes = PLATE, name: str = "carrier.stl") -> None:
        self.page.goto("/hand-in")
        self.page.get_by_label("Mesh file").set_input_files({"name": name, "mimeType": "model/stl", "buffer": data})
        self.page.get_by_role("button", name="Read the mesh").click()
        self.page.wait_for_url("**/hand-in/parts/p-*")

    def drop(self, data: bytes, name: str) -> None:
        """Let a file go over the zone, as a pointer would."""
        self.page.evaluate(
            """([bytes, name]) => {
                const held = new DataTransfer();
                held.items.add(new File([Uint8Array.from(atob(bytes), c => c.charCodeAt(0))], name));
                for (const kind of ["dragover", "drop"])
                    document.getElementById("drop").dispatchEvent(
                        new DragEvent(kind, { bubbles: true, cancelable: true, dataTransfer: held }));
            }""",
            [base64_of(data), name],
        )

    def drawn(self) -> None:
        self.page.locator('#stage[data-drawn="yes"]').wait_for()

    def spot_of(self, number: int) -> tuple[float, float]:
        """Where the size with that number ends, on the page: its tag hangs beside that point."""
        tag = self.page.locator(".stage-tag", has_text=str(number)).first
        style = tag.evaluate(
            "e => e.style.transform.match(/translate\\((-?\\d+)px, (-?\\d+)px\\)/).slice(1).map(Number)"
        )
        box = self.page.locator("#part-view").bounding_box()
        assert box is not None
        return box["x"] + style[0], box["y"] + style[1]

    def fits_its_width(self) -> bool:
        return bool(self.page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth"))

    def barriers(self) -> list[str]:
        """What axe-core finds against WCAG on the page as it stands."""
        found = Axe().run(self.page).response["violations"]
        return [f"{one['id']}: {[node['target'] for node in one['nodes']]}" for one in found]

    def keep_picture(self, name: str) -> None:
        """Set BOREWRIGHT_SCREENSHOTS to a folder to keep a picture."""
        if folder := os.environ.get("BOREWRIGHT_SCREENSHOTS"):
            self.page.screenshot(path=str(Path(folder) / f"{name}.png"), full_page=True)


WRONG = frozenset({"error", "warning"})


def base64_of(data: bytes) -> str:
    from base64 import b64encode

    return b64encode(data).decode("ascii")


@contextmanager
def visit(browser: Browser, at: Counter, **options: Any) -> Iterator[Visit]:
    """Fails where a page complained, broke, or asked another host for something."""
    context = browser.new_context(base_url=at.address, **options)
    context.set_default_timeout(PATIENCE_MS)
    made = Visit(context.new_page(), urlsplit(at.address).netloc)
    made.watch()
    yield made
    context.close()
    assert made.faults == []

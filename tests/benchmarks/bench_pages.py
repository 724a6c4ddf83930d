"""The first view of a full shop: 50 machines, 2,000 jobs; a real server, a real Chromium, everything on loopback.

Run: python -m tests.benchmarks.bench_pages
Server time and first paint apart, each beside an empty page of the same server (the queue of a state without jobs), in
the same run. A machine's sheet is kept by each server process until something on it changes, so three cases are told:
nothing has changed, one machine has, and all have (the shop's revision went up). CPU is of all processes of the
service, Redis and workers included: on a busy machine it says more than the clock.
"""

from __future__ import annotations

import http.client
import json
import os
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from playwright.sync_api import Browser, Page, Request, sync_playwright

from tests.benchmarks.bench_service import service
from tests.benchmarks.full_shop import JOBS, MACHINES, fill
from tests.conftest import CHROMIUM
from tests.service.browsers import PLAIN
from tests.service.live_pages import until

SHOP, EMPTY = "/", "/queue?state=failed"
TIMES = 15
BAR_MS, BAR_BYTES = 1000.0, 300_000
PAINTED = "performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? 0"
TICKS = os.sysconf("SC_CLK_TCK")


def asked(port: int, method: str, path: str, body: object = None) -> bytes:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    sent = None if body is None else json.dumps(body)
    connection.request(method, path, sent, {"Content-Type": "application/json", "If-Match": "*"})
    answer = connection.getresponse()
    text = answer.read()
    connection.close()
    assert answer.status < 400, text
    return text


def served(port: int, path: str, before: Callable[[int], object] = lambda _: None) -> float:
    """Median milliseconds from the request to its last byte; ``before`` happens ahead of each."""
    taken = []
    for n in range(TIMES):
        before(n)
        started = time.perf_counter()
        asked(port, "GET", path)
        taken.append(1000.0 * (time.perf_counter() - started))
    return statistics.median(taken)


def painted(browser: Browser, port: int, path: str) -> tuple[float, int]:
    """Median milliseconds to the first contentful paint in a browser that has nothing yet; bytes it was sent."""
    taken, sizes = [], []
    for _ in range(TIMES):
        context = browser.new_context(base_url=f"http://127.0.0.1:{port}")
        page = context.new_page()
        sizes.append(_visit(page, path))
        taken.append(float(page.evaluate(PAINTED)))
        context.close()
    return statistics.median(taken), max(sizes)


def _visit(page: Page, path: str) -> int:
    """Bytes of the bodies of all that the page loads."""
    asked_for: list[Request] = []
    page.on("requestfinished", lambda one: asked_for.append(one))  # noqa: PLW0108  a list's own method takes no mark
    page.goto(path, wait_until="load")
    until(page, "() => performance.getEntriesByName('first-contentful-paint').length > 0")
    return sum(one.sizes()["responseBodySize"] for one in asked_for if "/v1/events" not in one.url)


def cpu_s(folder: Path) -> float:
    """CPU seconds so far of all processes of the service: those that name its folder, and their children."""
    total = 0
    for entry in Path("/proc").iterdir():
        try:
            if entry.name.isdigit() and str(folder).encode() in (entry / "environ").read_bytes():
                fields = (entry / "stat").read_text().rpartition(")")[2].split()
                total += int(fields[11]) + int(fields[12])
        except OSError:
            continue
    return total / TICKS


def report(words: str, value: float, baseline: float) -> None:
    print(f"  {words:46} {value:7.1f} ms   empty page {baseline:6.1f} ms   ratio {value / baseline:5.1f}")


def measure(folder: Path, port: int) -> None:
    def one_copy_goes_on(n: int) -> None:
        asked(port, "POST", "/v1/claims/full-1-b/renewal", {"progress": 0.06 * (n + 1)})

    def shop_changes(n: int) -> None:
        asked(port, "PUT", "/v1/shop/emphasis", {"detail": 0.3, "fit": 0.3, "clog": 0.2, "time": 0.2})

    for path in (SHOP, EMPTY):
        served(port, path)  # every process has its templates
    empty = served(port, EMPTY)
    print(f"\nserver, request to last byte, median of {TIMES}")
    report("nothing has changed", served(port, SHOP), empty)
    report("one copy went on: what needs a hand is new", served(port, SHOP, one_copy_goes_on), empty)
    report("the shop has changed: all machines drawn anew", served(port, SHOP, shop_changes), empty)
    began = cpu_s(folder)
    for _ in range(TIMES):
        asked(port, "GET", SHOP)
    print(f"  CPU of a view, nothing changed: {1000.0 * (cpu_s(folder) - began) / TIMES:.0f} ms")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=list(PLAIN))
        print(f"\nfirst contentful paint, an empty cache each time, median of {TIMES}   (bar {BAR_MS:g} ms)")
        blank, blank_bytes = painted(browser, port, EMPTY)
        full, sent = painted(browser, port, SHOP)
        report("the shop", full, blank)
        browser.close()
    print(f"  bytes of the first view {sent:,} (bar {BAR_BYTES:,}); of the empty page {blank_bytes:,}")


def main() -> None:
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name:
        folder = Path(name) / "full"
        with service(folder) as (port, stores):
            fill(stores)
            print(f"{MACHINES} machines, {JOBS} jobs")
            measure(folder, port)


if __name__ == "__main__":
    main()

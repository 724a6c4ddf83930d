"""How the tests start Chromium. It must not speak to anybody by itself: a request that leaves the host is then ours."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from playwright.sync_api import Browser, Playwright, expect, sync_playwright

PATIENCE_MS = 60_000  # generous: a loaded machine must not fail a test
_QUIET = (
    "--no-sandbox",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
PLAIN = (*_QUIET, "--disable-gpu")
# Chromium's own software renderer, so that WebGL is there on a machine without a graphics card.
WITH_GL = (*_QUIET, "--use-angle=swiftshader", "--enable-unsafe-swiftshader", "--ignore-gpu-blocklist")
WITHOUT_GL = (*WITH_GL, "--disable-3d-apis")


@contextmanager
def launched(playwright: Playwright, chromium: Path, flags: Sequence[str]) -> Iterator[Browser]:
    browser = playwright.chromium.launch(executable_path=str(chromium), args=list(flags))
    yield browser
    browser.close()


@contextmanager
def a_browser(chromium: Path, flags: Sequence[str]) -> Iterator[Browser]:
    """A browser that is looked at with patience."""
    with sync_playwright() as playwright, launched(playwright, chromium, flags) as browser:
        expect.set_options(timeout=PATIENCE_MS)
        yield browser

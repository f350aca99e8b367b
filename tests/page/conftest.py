"""Scenes for the page's tests: a ledger with frames, a plan file, a client or a browser."""

from __future__ import annotations

import os
import shutil
from typing import TYPE_CHECKING

import pytest

from stopwise.page.server import PageServer
from support.page_scene import key_hot, scene_in

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, Page

    from support.page_scene import Scene

BROWSER = os.environ.get("STOPWISE_BROWSER") or shutil.which("chromium")
PATIENCE_MS = 120_000
"""What a page comes to is waited for; nothing is told by how long a loaded machine takes."""
_FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


@pytest.fixture
def scene(tmp_path: Path) -> Iterator[Scene]:
    made = scene_in(tmp_path)
    yield made
    made.live.pictures.close()
    made.ledger.close()


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Start one browser for all tests of a process; an event loop of its own runs from then on."""
    if BROWSER is None:
        if os.environ.get("CI"):
            pytest.fail("in CI the page must be shown in a browser: install chromium")
        pytest.skip("no chromium here: set STOPWISE_BROWSER to show the page in one")
    from playwright.sync_api import expect, sync_playwright

    expect.set_options(timeout=PATIENCE_MS)
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=BROWSER, args=list(_FLAGS))
        yield started
        started.close()


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    """Open a page that fails its test on any error or refused content."""
    context = browser.new_context(viewport={"width": 1440, "height": 900})
    context.set_default_timeout(PATIENCE_MS)
    opened = context.new_page()
    faults: list[str] = []
    opened.on("pageerror", lambda error: faults.append(str(error)))
    opened.on("console", lambda message: faults.extend(_fault(message.type, message.text)))
    yield opened
    context.close()
    assert faults == []


@pytest.fixture
def server(scene: Scene) -> Iterator[PageServer]:
    with PageServer(scene.live) as serving:
        yield serving


@pytest.fixture(scope="module")
def hot(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    """Open one page for all tests of a module that only look: a frame whose key is too strong."""
    made = scene_in(tmp_path_factory.mktemp("hot"))
    made.land(key_hot())
    with PageServer(made.live) as serving:
        context = browser.new_context(viewport={"width": 1440, "height": 900})
        opened = context.new_page()
        opened.goto(serving.address)
        opened.locator("#image").wait_for()
        opened.locator("#over .tag").wait_for()
        yield opened
        context.close()
    made.live.pictures.close()
    made.ledger.close()


def _fault(kind: str, text: str) -> list[str]:
    """Return an error that a page wrote; answers that refuse something are no fault of it."""
    return [text] if kind == "error" and not text.startswith("Failed to load resource") else []

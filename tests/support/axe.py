"""What axe-core finds on a page that a browser shows."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from support.page_in_browser import at_rest

if TYPE_CHECKING:
    from playwright.sync_api import Page

AXE = os.environ.get("STOPWISE_AXE")


def faults(page: Page) -> list[object]:
    """Return what axe-core finds against A and AA of WCAG 2.0 to 2.2."""
    if AXE is None or not Path(AXE).exists():
        if os.environ.get("CI"):
            pytest.fail("in CI axe-core must be there: set STOPWISE_AXE to its axe.min.js")
        pytest.skip("no axe-core here: set STOPWISE_AXE to its axe.min.js")
    if not page.evaluate("'axe' in window"):
        page.evaluate(Path(AXE).read_text(encoding="utf-8"))
    at_rest(page)
    found: list[object] = page.evaluate(
        "axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa']})"
        ".then((r) => r.violations.map((v) => [v.id, v.nodes.map((n) => n.html)]))"
    )
    return found

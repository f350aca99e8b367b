"""What the browser's tests do on the page's pages: open them, measure them, draw on them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from playwright.sync_api import expect

if TYPE_CHECKING:
    from playwright.sync_api import Page

    from stopwise.page.server import PageServer

SIZES = [(375, 812), (768, 1024), (1440, 900), (3840, 2160)]
"""A phone, a tablet held upright, a laptop, a large screen; CSS pixels."""


def opened(page: Page, server: PageServer, path: str = "") -> Page:
    """Open one of a page's pages and wait until its stream is there."""
    page.goto(server.address + path)
    expect(page.locator("body")).not_to_have_attribute("data-unlinked", "")
    return page


def box_of(page: Page, selector: str) -> Any:
    """Return where a thing stands on the screen."""
    box = page.locator(selector).first.bounding_box()
    assert box is not None
    return box


def drawn(page: Page, start: tuple[float, float], end: tuple[float, float]) -> None:
    """Draw a box on the picture with the mouse, corners as fractions of it."""
    over = box_of(page, "#over")
    at = [(over["x"] + x * over["width"], over["y"] + y * over["height"]) for x, y in (start, end)]
    page.mouse.move(*at[0])
    page.mouse.down()
    page.mouse.move(*at[1], steps=5)
    page.mouse.up()

"""What the browser's tests do on the page's pages: open them, measure them, draw on them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from playwright.sync_api import expect

if TYPE_CHECKING:
    from playwright.sync_api import Page

    from stopwise.page.server import PageServer

HEAR_SOUND = """
    window.struck = [];
    const begun = OscillatorNode.prototype.start;
    OscillatorNode.prototype.start = function (at) {
      window.struck.push(this.frequency.value);
      return begun.call(this, at);
    };
"""
"""Keeps the pitch of each sound that a page makes in `struck`."""

PARTS = """(() => {
  const words = (id) => document.getElementById(id)?.textContent ?? null;
  const image = document.getElementById("image");
  const strip = document.getElementById("strip");
  return {
    at: document.body.dataset.at,
    number: words("number"),
    say: words("say"),
    do: words("do"),
    floor: [...document.querySelectorAll("#lamps li .said")].map((e) => e.parentElement.textContent).join(" | "),
    strip: strip.hidden ? null : strip.dataset.number,
    picture: image.hidden ? null : image.dataset.number,
    of: Object.fromEntries([["body", document.body.dataset.number], ["band", document.getElementById("band").dataset.number],
      ...[...document.querySelectorAll("main > section")].map((e) => [e.className, e.dataset.number])]),
  };
})()"""  # noqa: E501
"""What each part of the page says, and of which frame."""

SIZES = [(375, 812), (768, 1024), (1440, 900), (3840, 2160)]
"""A phone, a tablet held upright, a laptop, a large screen; CSS pixels."""


def opened(page: Page, server: PageServer, path: str = "") -> Page:
    """Open one of a page's pages and wait until its stream is there."""
    page.goto(server.address + path)
    expect(page.locator("body")).not_to_have_attribute("data-unlinked", "")
    return page


def box_of(page: Page, selector: str) -> Any:
    """Return where a thing stands on the screen."""
    for _ in range(5):  # what is drawn anew just then has no place
        box = page.locator(selector).first.bounding_box()
        if box is not None:
            return box
    message = f"{selector} stands nowhere"
    raise AssertionError(message)


def drawn(page: Page, start: tuple[float, float], end: tuple[float, float]) -> None:
    """Draw a box on the picture with the mouse, corners as fractions of it."""
    over = box_of(page, "#over")
    at = [(over["x"] + x * over["width"], over["y"] + y * over["height"]) for x, y in (start, end)]
    dragged(page, at[0], (at[1][0] - at[0][0], at[1][1] - at[0][1]))


def dragged(page: Page, start: tuple[float, float], way: tuple[float, float]) -> None:
    """Press the mouse at a point of the screen, and let go a way further, pixels."""
    x, y = start
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + way[0], y + way[1], steps=5)
    page.mouse.up()

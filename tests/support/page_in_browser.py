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

AT_REST = """async (selector) => {
  const frame = () => new Promise((drawn) => requestAnimationFrame(drawn));
  const boxes = () => JSON.stringify([...document.querySelectorAll("body *")].map(
    (e) => e.getBoundingClientRect()));
  for (let before = null, same = 0; same < 3;) {
    await frame();
    const now = boxes();
    same = now === before && [...document.images].every((one) => one.complete) ? same + 1 : 0;
    before = now;
  }
  return selector && document.querySelector(selector)?.getBoundingClientRect().toJSON();
}"""
"""Comes back once no part of the page has moved for three frames, with where one stands."""

HOLD = """(what) => {
  const gate = new Promise((open) => (window.letGo = open));
  const isHeld = (address) => String(address).startsWith(what);
  const fetched = window.fetch;
  window.fetch = async (address, asked) => {
    if (isHeld(address)) await gate;
    return fetched(address, asked);
  };
  const { get, set } = Object.getOwnPropertyDescriptor(HTMLImageElement.prototype, "src");
  Object.defineProperty(HTMLImageElement.prototype, "src", { get, set(address) {
    if (isHeld(address)) gate.then(() => set.call(this, address));
    else set.call(this, address);
  } });
}"""
"""Holds what a page asks for under an address, in the page itself, until `letGo()`."""

SIZES = [(375, 812), (768, 1024), (1440, 900), (3840, 2160)]
"""A phone, a tablet held upright, a laptop, a large screen; CSS pixels."""


def opened(page: Page, server: PageServer, path: str = "") -> Page:
    """Open one of a page's pages and wait until its stream is there."""
    page.goto(server.address + path)
    expect(page.locator("body")).not_to_have_attribute("data-unlinked", "")
    return page


def at_rest(page: Page) -> None:
    """Wait until the page has laid itself out by what it measured of itself, pictures included."""
    page.evaluate(AT_REST)


def sized(page: Page, size: tuple[int, int]) -> None:
    """Show a page in a window of a size, and wait until it has taken it."""
    page.set_viewport_size({"width": size[0], "height": size[1]})
    page.wait_for_function(f"() => innerWidth === {size[0]}")
    at_rest(page)


def box_of(page: Page, selector: str) -> Any:
    """Return where a thing stands on the screen once nothing moves any more."""
    box = page.evaluate(AT_REST, selector)  # at once: what is drawn anew between is another thing
    assert box is not None, f"{selector} stands nowhere"
    return box


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

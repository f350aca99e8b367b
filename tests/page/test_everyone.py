"""The page for everyone: WCAG 2.2 level AA in a real browser, at each size and in both themes.

The success criteria are those of Web Content Accessibility Guidelines 2.2, W3C, 2023.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import expect

from stopwise.page.server import PageServer
from support.axe import faults
from support.contrast import contrast
from support.page_in_browser import SIZES, at_rest, box_of, opened, sized
from support.page_scene import Scene, hair_out, key_hot, on_plan, scene_in

if TYPE_CHECKING:
    from pathlib import Path

    from playwright.sync_api import Page

THEMES = ("dark", "light")
LEAST_TARGET = 24
"""CSS pixels, SC 2.5.8."""
GLOVE = 44
"""CSS pixels that a button takes that is pressed on set: as SC 2.5.5 (level AAA) has it."""
TEXT, LARGE = 4.5, 3.0
"""Least contrast of text, and of text of 24 px or bold of 18.66 px, SC 1.4.3."""

QUESTIONS = {
    "?": "Shortcuts",
    "a": "Adopt frame 2",
    "m": "Mark frame 2",
    "t": "New take",
    "l": "Lamps that are meant",
    "k": "Look",
    "e": "Expect",
    "d": "Powers from the solos",
    "v": "Compare two frames",
    "u": "Undo the last edit",
    "f": "Find a frame",
}


def theme(page: Page, name: str) -> None:
    page.evaluate("(theme) => (document.documentElement.dataset.theme = theme)", name)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("path", ["", "quiet"])
def test_axe_finds_nothing_at_aa(
    scene: Scene, server: PageServer, page: Page, size: tuple[int, int], path: str
) -> None:
    sized(page, size)
    scene.land(key_hot())
    scene.land(hair_out())
    opened(page, server, path)
    expect(page.locator("#number")).to_contain_text("2")
    expect(page.locator("#image")).to_be_visible()
    for name in THEMES:
        theme(page, name)
        found = faults(page)
        assert found == [], json.dumps(found, indent=1)


def test_axe_finds_nothing_before_the_first_frame(server: PageServer, page: Page) -> None:
    opened(page, server)
    assert faults(page) == []


SLOWER = [
    pytest.param(size, marks=pytest.mark.slow) if place in (1, 3) else size
    for place, size in enumerate(SIZES)
]
"""A phone and a laptop in the quick run, a tablet and a large screen in the whole one."""


@pytest.mark.parametrize("size", SLOWER)
def test_axe_finds_nothing_in_any_question_and_while_drawing(
    scene: Scene, server: PageServer, page: Page, size: tuple[int, int]
) -> None:
    def clean(what: str) -> None:
        for name in THEMES:
            theme(page, name)
            assert faults(page) == [], (what, name)

    sized(page, size)
    scene.land(on_plan())
    scene.land(key_hot())
    opened(page, server)
    expect(page.locator("#say")).to_have_text("Key 0.4 high. Lit cheek 0.4 over.")
    for key, head in QUESTIONS.items():
        page.keyboard.press(key)
        expect(page.locator("#box-head")).to_contain_text(head)
        expect(page.get_by_text("One moment."), head).to_have_count(0)
        clean(head)
        page.keyboard.press("Escape")
        expect(page.get_by_role("dialog")).to_have_count(0)
    page.keyboard.press("ArrowLeft")
    expect(page.locator("#strip")).to_be_visible()
    scene.land(hair_out())
    expect(page.locator("#alarm")).to_be_visible()
    clean("looking back, with a lamp out")
    page.get_by_role("button", name="Seen").click()
    page.keyboard.press("p")
    expect(page.locator("#over .thing")).to_have_count(5)
    page.locator("#over .thing").first.focus()
    clean("while drawing")
    page.keyboard.press("n")
    expect(page.locator("#box-head")).to_have_text("New patch")
    clean("a new patch")


@pytest.mark.parametrize("size", SIZES)
def test_every_target_is_large_and_every_deed_a_glove_wide(
    scene: Scene, server: PageServer, page: Page, size: tuple[int, int]
) -> None:
    sized(page, size)
    scene.land(key_hot())
    opened(page, server)
    page.get_by_role("button", name="More").click()
    expect(page.locator("#image")).to_be_visible()
    at_rest(page)
    asked = {"summary:visible": LEAST_TARGET, "button:visible": GLOVE}
    for selector, least in asked.items():
        for target in page.locator(selector).all():
            box = target.bounding_box()
            assert box is not None
            assert min(box["width"], box["height"]) >= least - 0.01, target.inner_text()


@pytest.mark.parametrize("size", SIZES)
def test_what_has_the_focus_is_shown_and_never_under_the_buttons(
    scene: Scene, server: PageServer, page: Page, size: tuple[int, int]
) -> None:
    # SC 2.1.1, 2.4.7 and 2.4.11
    sized(page, size)
    scene.land(key_hot())
    opened(page, server)
    page.keyboard.press("p")
    expect(page.locator("#over .thing")).to_have_count(5)
    at_rest(page)
    wanted = page.locator("button:visible:not(:disabled), .thing").count()
    seen = set()
    for _ in range(wanted + 8):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement === document.body"):
            break
        name, ring, hidden = page.evaluate(FOCUSED)
        seen.add(name)
        assert ring, name
        assert hidden <= 0.0, (name, hidden)
    assert len(seen) >= wanted


FOCUSED = """(() => {
  const e = document.activeElement;
  const bar = document.getElementById("drawing").getBoundingClientRect();
  const band = document.getElementById("top").getBoundingClientRect();
  const box = e.getBoundingClientRect();
  const style = getComputedStyle(e);
  const own = e.querySelector?.(".ring");
  const isMarked = own && getComputedStyle(own).stroke !== "none";
  const ring = style.outlineStyle === "solid" || isMarked;
  const isOver = e.closest("#drawing, #top, .skip");
  const isWhole = box.top >= band.bottom - 1 && Math.min(box.bottom, innerHeight) <= bar.top + 1;
  const isTaller = box.height > bar.top - band.bottom;
  const hidden = isOver || isWhole || isTaller ? 0 : 1;
  return [e.dataset?.name ?? e.textContent.trim(), Boolean(ring), hidden];
})()"""


def test_every_deed_has_a_key_and_the_list_names_it(
    scene: Scene, server: PageServer, page: Page
) -> None:
    # SC 2.1.1
    scene.land(on_plan())
    opened(page, server)
    keys = page.evaluate(
        "[...document.querySelectorAll('nav [data-do], [data-layer]')]"
        ".filter((e) => e.dataset.do !== 'more').map((e) => [e.textContent, e.ariaKeyShortcuts])"
    )
    assert all(key for _, key in keys), keys
    page.keyboard.press("?")
    expect(page.locator(".keys kbd").first).to_be_visible()
    told = page.locator(".keys kbd").all_inner_texts()
    assert {key.removeprefix("Arrow") for _, key in keys} <= set(told)


def test_single_keys_can_be_turned_off(scene: Scene, server: PageServer, page: Page) -> None:
    # SC 2.1.4
    scene.land(on_plan())
    opened(page, server)
    page.keyboard.press("?")
    page.get_by_label("Single keys work").uncheck()
    page.keyboard.press("Escape")
    expect(page.get_by_role("dialog")).to_have_count(0)
    page.keyboard.press("b")
    page.keyboard.press("?")  # what was pressed before is done before
    expect(page.get_by_role("dialog")).to_be_visible()
    assert page.evaluate("document.documentElement.dataset.theme") == "dark"


def test_the_live_region_speaks_the_headline_that_stands_there(
    scene: Scene, server: PageServer, page: Page
) -> None:
    # SC 4.1.3; a lamp that stays called is spoken too
    opened(page, server)
    spoken = page.locator("#spoken")
    expect(spoken).to_have_attribute("aria-live", "assertive")
    scene.land(hair_out())
    expect(spoken).to_have_text("Hair lamp did not fire. Stop. Check it, shoot again.")
    scene.land(on_plan())
    expect(spoken).to_contain_text("Hair lamp was out, 1 good since.")
    page.keyboard.press("o")
    expect(spoken).not_to_contain_text("Hair lamp")
    expect(spoken).to_contain_text("On plan.")
    page.keyboard.press("ArrowLeft")
    expect(spoken).to_contain_text("Hair lamp did not fire.")


def test_nothing_moves_for_whoever_asks_for_less_motion(
    scene: Scene, server: PageServer, page: Page
) -> None:
    page.emulate_media(reduced_motion="reduce")
    scene.land(key_hot())
    opened(page, server)
    scene.land(hair_out())
    expect(page.locator("#say")).to_contain_text("Hair lamp")
    page.keyboard.press("?")
    expect(page.get_by_role("dialog")).to_be_visible()
    moving = page.evaluate(
        "[document.getAnimations().length, [...document.querySelectorAll('*')].filter((e) => {"
        " const s = getComputedStyle(e); return s.animationName !== 'none'"
        " || s.transitionDuration.split(',').some((one) => parseFloat(one) > 0)}).length]"
    )
    assert moving == [0, 0]


@pytest.mark.parametrize("name", THEMES)
def test_every_word_stands_out_from_what_is_behind_it(
    scene: Scene, server: PageServer, page: Page, name: str
) -> None:
    # SC 1.4.3, computed from the colours that the browser has worked out
    scene.land(hair_out())
    scene.land(key_hot())
    opened(page, server)
    expect(page.locator("#number")).to_have_text("2")
    page.keyboard.press("o")
    expect(page.locator("#told")).not_to_have_text("")
    theme(page, name)
    page.evaluate("document.getElementById('held').open = true")
    words = page.evaluate(WORDS)
    assert len(words) > 60
    for said, ink, ground, size, weight in words:
        is_large = size >= 24 or (size >= 18.66 and weight >= 700)
        assert contrast(ink, ground) >= (LARGE if is_large else TEXT), (said, ink, ground)


WORDS = """(() => {
  const two = (part) => Math.round(part).toString(16).padStart(2, "0");
  const hex = (colour) => "#" + colour.match(/[\\d.]+/g).slice(0, 3).map(two).join("");
  const isClear = (colour) => colour === "transparent" || /, 0\\)$/.test(colour);
  const behind = (e) => {
    const disc = e.closest(".lamp")?.querySelector("circle");
    if (disc) return getComputedStyle(disc).fill;
    for (let at = e; at; at = at.parentElement) {
      const ground = getComputedStyle(at).backgroundColor;
      if (!isClear(ground)) return ground;
    }
    return "rgb(255, 255, 255)";
  };
  const found = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const e = walk.currentNode.parentElement;
    const said = walk.currentNode.data.trim();
    if (!said || !e.getClientRects().length || e.closest("#over, .unseen, .skip")) continue;
    const style = getComputedStyle(e);
    const ink = e instanceof SVGElement ? style.fill : style.color;
    const [size, weight] = [parseFloat(style.fontSize), Number(style.fontWeight)];
    found.push([said, hex(ink), hex(behind(e)), size, weight]);
  }
  return found;
})()"""


def test_no_information_is_by_colour_alone(tmp_path: Path, page: Page) -> None:
    # SC 1.4.1: with all colour taken away the marks of states still differ, by their outline
    scene = scene_in(tmp_path)
    scene.land(key_hot())
    with PageServer(scene.live) as server:
        opened(page, server)
        expect(page.locator("#number")).to_have_text("1")
        shapes = page.evaluate(
            "Object.fromEntries(['holds', 'fails'].map((role) => [role,"
            " document.querySelector(`#ruler g.role-${role}`).firstElementChild.tagName]))"
        )
        box = box_of(page, "#mark")
    assert shapes["holds"] != shapes["fails"]
    assert box["width"] >= 0.03 * 1440
    scene.ledger.close()

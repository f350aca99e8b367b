"""Drawing on the page in a real browser: one frozen frame, a draft of one's own, saved at once."""

from __future__ import annotations

import re
import shutil
import time
from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import expect

from stopwise.plan import load_plan
from support.page_in_browser import box_of, dragged, drawn, opened
from support.page_process import SAMPLES
from support.page_scene import PLAN_TEXT, Scene, key_hot, on_plan

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Locator, Page

    from stopwise.frame import Box
    from stopwise.page.server import PageServer

SAVED = "Saved what was drawn in the plan."
RED = '\n[[look]]\nname = "in red"\n\n[[look.patch]]\nname = "hair"\nbox = [0.4, 0.2, 0.5, 0.3]\n'


def begun(page: Page, server: PageServer) -> Page:
    """Open the page on its newest frame and begin to draw."""
    opened(page, server)
    expect(page.locator("#image")).to_be_visible()
    page.keyboard.press("p")
    expect(page.locator("#over .thing")).not_to_have_count(0)
    return page


def thing(page: Page, name: str) -> Locator:
    return page.locator(f'#over .thing[data-name="{name}"]')


def box(scene: Scene, name: str) -> Box:
    patch = load_plan(scene.plan_path).patch(name)
    assert patch is not None
    return patch.box


def save(page: Page) -> None:
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#tools")).to_be_visible()
    expect(page.locator("#told")).to_have_text(SAVED)


def test_a_patch_drawn_named_and_given_its_light_is_in_the_plan(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.land(on_plan())
    begun(page, server)
    expect(page.locator("#state")).to_contain_text("Drawing on frame 1, no look")
    drawn(page, (0.40, 0.64), (0.48, 0.70))
    page.get_by_label("Name").fill("collar")
    page.get_by_label("Material").select_option("white cloth")
    page.get_by_label("Target zone").fill("5.5")
    page.get_by_label("key", exact=True).check()
    page.get_by_role("button", name="Keep").click()
    assert scene.plan_path.read_text() == PLAN_TEXT
    save(page)
    patch = load_plan(scene.plan_path).patch("collar")
    assert patch is not None
    assert patch.box == pytest.approx((0.40, 0.64, 0.48, 0.70), abs=0.003)
    assert (patch.zone, patch.material, patch.lit_by) == (5.5, "white cloth", ("key",))
    assert "# the snoot" in scene.plan_path.read_text()
    expect(page.locator("#over .thing")).to_have_count(0)


def test_the_frame_is_measured_again_with_what_was_drawn_before_it_is_saved(
    scene: Scene, server: PageServer, page: Page
) -> None:
    shutil.copy(SAMPLES / "F0011.dng", scene.folder / "F0001.dng")
    scene.land(on_plan())
    begun(page, server)
    figure = thing(page, "hair").locator(".name")
    expect(figure).to_have_text(re.compile(r"^hair {2}[+-]?\d\.\d$"))
    before = figure.text_content()
    thing(page, "hair").focus()
    for _ in range(30):
        page.keyboard.press("ArrowDown")
    expect(figure).not_to_have_text(before or "")
    assert scene.plan_path.read_text() == PLAN_TEXT


@pytest.mark.parametrize("roll", [(2, 0), (0, -6), (5, 5)])
def test_a_tap_that_rolls_moves_nothing_and_a_longer_way_does(
    scene: Scene, server: PageServer, page: Page, roll: tuple[int, int]
) -> None:
    scene.land(on_plan())
    begun(page, server)
    at = box_of(page, '#over .thing[data-name="hair"] .inside')
    x, y = at["x"] + at["width"] / 2, at["y"] + at["height"] / 2
    dragged(page, (x, y), roll)
    expect(page.locator("#draw-state")).to_have_text("Nothing to save")
    dragged(page, (x + roll[0], y + roll[1]), (30 - roll[0], -roll[1]))
    expect(page.locator("#draw-state")).to_have_text("1 to save")


def test_a_finger_beside_a_small_patch_takes_the_patch_and_not_a_corner(
    scene: Scene, server: PageServer, page: Page
) -> None:
    """Handles lie outside of the box and only round the chosen one; within it, it moves."""
    scene.land(on_plan())
    begun(page, server)
    at = box_of(page, '#over .thing[data-name="lit cheek"] .inside')
    dragged(page, (at["x"] + 3, at["y"] + 3), (40, 0))
    save(page)
    x0, y0, x1, y1 = box(scene, "lit cheek")
    assert (x1 - x0, y1 - y0) == pytest.approx((0.03, 0.05), abs=0.0002)
    assert x0 > 0.55


def test_a_corner_is_taken_by_a_handle_of_44_pixels_outside_of_the_box(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.land(on_plan())
    begun(page, server)
    thing(page, "hair").focus()
    inside = box_of(page, '#over .thing[data-name="hair"] .inside')
    grip = box_of(page, '#over .thing[data-name="hair"] .grip[data-corner="2 3"]')
    assert min(grip["width"], grip["height"]) >= 43.5
    assert grip["x"] >= inside["x"] + inside["width"] - 1
    dragged(page, (grip["x"] + 30, grip["y"] + 30), (40, 20))
    save(page)
    before, after = load_plan_box(PLAN_TEXT), box(scene, "hair")
    assert after[:2] == before[:2]
    assert after[2] > before[2]
    assert after[3] > before[3]


def load_plan_box(text: str) -> Box:
    found = re.search(r'name = "hair"\nbox = \[(.*)\]', text)
    assert found is not None
    x0, y0, x1, y1 = (float(side) for side in found.group(1).split(","))
    return x0, y0, x1, y1


def test_escape_during_a_drag_takes_the_drag_back_and_saves_nothing(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.land(on_plan())
    begun(page, server)
    at = box_of(page, '#over .thing[data-name="hair"] .inside')
    page.mouse.move(at["x"] + 10, at["y"] + 10)
    page.mouse.down()
    page.mouse.move(at["x"] + 60, at["y"] + 60, steps=4)
    page.keyboard.press("Escape")
    page.mouse.up()
    expect(page.locator("#draw-state")).to_have_text("Nothing to save")
    expect(page.locator("#over .thing")).not_to_have_count(0)
    assert scene.plan_path.read_text() == PLAN_TEXT


def test_five_quick_arrows_are_five_steps_and_each_goes_back_by_itself(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.land(on_plan())
    begun(page, server)
    thing(page, "hair").focus()
    for _ in range(5):
        page.keyboard.press("ArrowRight")
    expect(thing(page, "hair")).to_be_focused()
    page.keyboard.press("u")
    page.keyboard.press("u")
    page.keyboard.press("s")
    expect(page.locator("#told")).to_have_text(SAVED)
    assert box(scene, "hair") == (0.475, 0.2, 0.555, 0.26)


def test_a_patch_is_sized_opened_renamed_and_taken_out_by_keyboard_alone(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.land(on_plan())
    begun(page, server)
    thing(page, "hair").focus()
    page.keyboard.press("Shift+ArrowDown")
    page.keyboard.press("Enter")
    page.get_by_label("Name").fill("curls")
    page.keyboard.press("Enter")
    expect(thing(page, "curls")).to_be_focused()
    page.keyboard.press("s")
    expect(page.locator("#told")).to_have_text(SAVED)
    assert box(scene, "curls") == (0.46, 0.2, 0.54, 0.265)
    page.keyboard.press("p")
    thing(page, "curls").focus()
    page.keyboard.press("Delete")
    expect(thing(page, "curls")).to_have_count(0)
    page.keyboard.press("s")
    expect(page.locator("#tools")).to_be_visible()
    assert load_plan(scene.plan_path).patch("curls") is None


def test_a_second_tap_opens_a_box_and_a_backdrop_box_is_drawn_and_taken_out(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.land(on_plan())
    begun(page, server)
    hair = page.locator('#over .thing[data-name="hair"] .inside')
    hair.click()
    expect(thing(page, "hair")).to_have_attribute("aria-pressed", "true")
    expect(page.get_by_role("dialog")).to_have_count(0)
    hair.click()
    expect(page.get_by_label("Name")).to_have_value("hair")
    page.keyboard.press("Escape")
    expect(page.get_by_role("dialog")).to_have_count(0)
    drawn(page, (0.40, 0.02), (0.60, 0.08))
    page.get_by_label("Backdrop box").check()
    page.get_by_role("button", name="Keep").click()
    save(page)
    assert len(backdrop(scene)) == 3
    page.keyboard.press("p")
    thing(page, "backdrop 3").focus()
    page.keyboard.press("Enter")
    page.get_by_role("dialog").get_by_role("button", name="Take it out").click()
    save(page)
    assert len(backdrop(scene)) == 2


def backdrop(scene: Scene) -> tuple[Box, ...]:
    found = load_plan(scene.plan_path).backdrop
    assert found is not None
    return tuple(found.boxes)


def test_what_was_drawn_is_left_only_when_that_is_said(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.land(on_plan())
    begun(page, server)
    thing(page, "hair").focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Escape")
    page.get_by_role("button", name="Go on drawing").click()
    expect(page.locator("#draw-state")).to_have_text("1 to save")
    page.get_by_role("button", name="Cancel").click()
    page.get_by_role("button", name="Leave it").click()
    expect(page.locator("#over .thing")).to_have_count(0)
    assert scene.plan_path.read_text() == PLAN_TEXT


def test_a_frame_of_another_look_that_lands_leaves_frame_and_look_as_they_are(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.plan_path.write_text(PLAN_TEXT + RED, encoding="utf-8")
    scene.land(on_plan() | {"look": "in red"})
    begun(page, server)
    expect(page.locator("#state")).to_contain_text("Drawing on frame 1, look in red")
    at = box_of(page, '#over .thing[data-name="hair"] .inside')
    page.mouse.move(at["x"] + 10, at["y"] + 10)
    page.mouse.down()
    page.mouse.move(at["x"] + 40, at["y"] + 10, steps=4)
    scene.land(key_hot() | {"look": None})
    expect(page.locator("#strip")).to_contain_text("Newest 2 Key 0.4 high. Lit cheek 0.4 over.")
    page.mouse.move(at["x"] + 60, at["y"] + 10, steps=2)
    page.mouse.up()
    expect(page.locator("#image")).to_have_attribute("data-number", "1")
    thing(page, "hair").focus()
    page.keyboard.press("ArrowDown")
    save(page)
    plan = load_plan(scene.plan_path)
    assert plan.looks[0].patches[0].box != (0.4, 0.2, 0.5, 0.3)
    assert [patch.box for patch in plan.patches if patch.name == "hair"] == [
        (0.46, 0.2, 0.54, 0.26)
    ]
    expect(page.locator("#number")).to_have_text("2")


def test_a_patch_changed_in_an_editor_meanwhile_is_shown_and_written_only_when_said_again(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.land(on_plan())
    begun(page, server)
    drawn(page, (0.5, 0.23), (0.55, 0.33))
    changed = PLAN_TEXT.replace("zone = 6.0", "zone = 5.8")
    scene.plan_path.write_text(changed, encoding="utf-8")
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#told")).to_contain_text("changed in the plan meanwhile: zone")
    expect(page.locator("#draw-state")).to_have_text("1 to save")
    assert scene.plan_path.read_text() == changed


SLOW_PLAN = """(() => {
  const quick = window.fetch;
  window.fetch = async (to, asked) => {
    if (String(to).startsWith("/plan")) await new Promise((done) => setTimeout(done, 500));
    return quick(to, asked);
  };
})()"""
"""Lets a page wait half a second for the plan, which it needs before it says to press again."""


def test_a_second_browser_is_shown_what_changed_and_keeps_what_it_drew(
    scene: Scene, server: PageServer, page: Page, browser: Browser
) -> None:
    scene.land(on_plan())
    begun(page, server)
    other = begun(browser.new_page(), server)
    thing(page, "hair").focus()
    page.keyboard.press("ArrowRight")
    for name in ("lit cheek", "hair"):
        thing(other, name).focus()
        other.keyboard.press("ArrowDown")
    save(other)
    expect(page.locator("#told")).to_contain_text("hair was changed elsewhere meanwhile")
    expect(page.locator("#draw-state")).to_have_text("1 to save")
    page.evaluate(SLOW_PLAN)
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#told")).to_contain_text("changed in the plan meanwhile: box")
    save(page)
    assert box(scene, "hair") == (0.465, 0.2, 0.545, 0.26)
    assert box(scene, "lit cheek") == (0.535, 0.445, 0.565, 0.495)
    other.close()


def test_a_wrong_figure_is_refused_at_saving_and_what_was_drawn_stays(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.land(on_plan())
    begun(page, server)
    page.keyboard.press("n")
    page.get_by_label("Name").fill("cap")
    page.get_by_label("Target zone").fill("40")
    page.get_by_role("button", name="Keep").click()
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#told")).to_contain_text("zone")
    expect(thing(page, "cap")).to_have_count(1)
    assert scene.plan_path.read_text() == PLAN_TEXT


@pytest.mark.slow
def test_a_new_patch_by_touch_is_saved_right_within_20_s_five_times_of_five(
    scene: Scene, server: PageServer, browser: Browser
) -> None:
    """Fingers of a machine: what is measured is the page's own part of the 20 s."""
    scene.land(on_plan())
    context = browser.new_context(viewport={"width": 1024, "height": 768}, has_touch=True)
    page = opened(context.new_page(), server)
    touch = context.new_cdp_session(page)
    for number in range(5):
        start = time.monotonic()
        page.get_by_role("button", name="More").tap()
        page.get_by_role("button", name="Draw patches").tap()
        expect(page.locator("#over .thing")).not_to_have_count(0)
        at = box_of(page, "#over")
        x, y = at["x"] + (0.2 + 0.1 * number) * at["width"], at["y"] + 0.66 * at["height"]
        for kind, points in (
            ("touchStart", [{"x": x, "y": y}]),
            ("touchMove", [{"x": x + 20, "y": y + 20}]),
            ("touchMove", [{"x": x + 40, "y": y + 40}]),
            ("touchEnd", []),
        ):
            touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
        page.get_by_label("Name").fill(f"fold {number}")
        page.get_by_label("Material").select_option("black cloth")
        page.get_by_label("Target zone").fill("2.5")
        page.wait_for_timeout(400)  # two touches sooner than a person's are one gesture
        page.get_by_role("button", name="Keep").tap()
        page.wait_for_timeout(400)
        page.get_by_role("button", name="Save").tap()
        expect(page.locator("#tools")).to_be_visible()
        page.get_by_role("button", name="Less").tap()
        assert time.monotonic() - start < 20
        patch = load_plan(scene.plan_path).patch(f"fold {number}")
        assert patch is not None
        assert (patch.material, patch.zone) == ("black cloth", 2.5)
        wide = 40 / at["width"]
        assert patch.box[2] - patch.box[0] == pytest.approx(wide, abs=0.002)
    assert len(load_plan(scene.plan_path).patches) == 8
    context.close()

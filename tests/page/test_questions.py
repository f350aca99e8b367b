"""Questions of the page in a real browser: what stands now, what is asked, what becomes of it."""

from __future__ import annotations

import re
import shutil
from types import SimpleNamespace
from typing import TYPE_CHECKING

from playwright.sync_api import expect

from stopwise.page.trying import Powers
from stopwise.plan import load_plan
from support.made_picture import drawable, made_picture
from support.page_in_browser import at_rest, opened
from support.page_process import SAMPLES
from support.page_scene import Scene, key_hot, on_plan

if TYPE_CHECKING:
    import pytest
    from playwright.sync_api import Page

    from stopwise.page.server import PageServer


def test_a_key_pressed_at_once_after_a_question_is_heard(
    scene: Scene, server: PageServer, page: Page
) -> None:
    """A field that was left keeps the focus until the next picture, and keys typed in it count."""
    scene.land(on_plan())
    opened(page, server)
    page.keyboard.press("l")
    page.get_by_role("dialog").get_by_role("checkbox").first.focus()
    left = page.evaluate(
        "() => { box.dispatchEvent(new Event('cancel'));"
        " return [box.open, box.contains(document.activeElement)]; }"
    )
    assert left == [False, False]


def test_a_question_asked_at_once_after_another_was_left_stays(
    scene: Scene, server: PageServer, page: Page
) -> None:
    """The browser says that the first was closed only once the second stands."""
    scene.land(on_plan())
    opened(page, server)
    expect(page.locator("#number")).to_have_text("1")
    page.keyboard.press("l")
    expect(page.get_by_role("dialog").get_by_role("checkbox").first).to_be_visible()
    page.evaluate(
        "() => { box.dispatchEvent(new Event('cancel'));"
        " document.body.dispatchEvent(new KeyboardEvent('keydown', {key: 'k', bubbles: true})); }"
    )
    look = page.get_by_role("dialog").get_by_role("radio", name="the plan's own targets")
    expect(look).to_be_visible()


def test_a_frame_is_adopted_and_the_adoption_undone(
    scene: Scene, server: PageServer, page: Page
) -> None:
    before = scene.plan_path.read_text()
    scene.land(key_hot())
    opened(page, server)
    expect(page.locator("#say")).to_have_text("Key 0.4 high. Lit cheek 0.4 over.")
    page.keyboard.press("a")
    row = page.get_by_role("row", name=re.compile("^lit cheek"))
    expect(row).to_have_text(re.compile(r"6\.50\s*6\.90"))
    page.get_by_role("dialog").get_by_role("button", name="Adopt").click()
    expect(page.locator("#told")).to_contain_text("Adopted 4 targets from F0001.dng")
    assert load_plan(scene.plan_path).patches[0].zone == 6.9
    page.get_by_role("button", name="More").click()
    page.get_by_role("button", name="Undo").click()
    expect(page.get_by_role("dialog")).to_be_visible()
    assert scene.plan_path.read_text() != before
    page.get_by_role("button", name="Take it back").click()
    expect(page.locator("#told")).to_contain_text("The adoption is taken back")
    assert scene.plan_path.read_text() == before


def test_an_edit_is_taken_back_only_when_it_is_said_again(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.land(key_hot())
    opened(page, server)
    expect(page.locator("#say")).to_have_text("Key 0.4 high. Lit cheek 0.4 over.")
    page.keyboard.press("a")
    page.get_by_role("dialog").get_by_role("button", name="Adopt").click()
    expect(page.locator("#told")).to_contain_text("Adopted 4 targets")
    adopted = scene.plan_path.read_text()
    page.keyboard.press("u")
    page.get_by_role("button", name="Leave it").click()
    expect(page.get_by_role("dialog")).to_have_count(0)
    assert scene.plan_path.read_text() == adopted


def test_a_solo_is_marked_and_a_take_begun(scene: Scene, server: PageServer, page: Page) -> None:
    scene.land(on_plan())
    shutil.copy(SAMPLES / "F0006.dng", scene.folder / "F0001.dng")
    opened(page, server)
    expect(page.locator("#say")).to_have_text("On plan.")
    page.keyboard.press("m")
    page.get_by_label("solo of hair").check()
    page.get_by_role("button", name="Mark", exact=True).click()
    expect(page.locator("#told")).to_have_text("plan.toml: solo of hair is F0001.dng.")
    assert load_plan(scene.plan_path).frames.solo == {"hair": "F0001.dng"}
    page.keyboard.press("t")
    page.get_by_role("textbox", name="What was turned").fill("key -0.5")
    page.keyboard.press("Enter")
    expect(page.locator("#told")).to_have_text("A new take begins with the next frame.")
    assert [(one.kind, one.body) for one in scene.ledger.orders.open()] == [("take", "key -0.5")]


def test_a_turn_that_was_noticed_is_accepted_as_a_take(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.ledger.settings.set("offered", {"key": -0.5})
    scene.land(on_plan())
    opened(page, server)
    page.keyboard.press("t")
    expect(page.get_by_label("Yes, this was turned: key -0.5")).not_to_be_checked()
    page.get_by_label("Yes, this was turned: key -0.5").check()
    page.get_by_role("button", name="Begin").click()
    expect(page.locator("#told")).to_have_text("A new take begins with the next frame.")
    assert [(one.kind, one.body) for one in scene.ledger.orders.open()] == [("take", "yes")]


def test_two_frames_are_compared_side_by_side(scene: Scene, server: PageServer, page: Page) -> None:
    scene.land(on_plan())
    scene.land(key_hot())
    opened(page, server)
    expect(page.locator("#say")).to_have_text("Key 0.4 high. Lit cheek 0.4 over.")
    page.keyboard.press("v")
    row = page.get_by_role("row", name=re.compile("^lit cheek"))
    expect(row).to_contain_text("+0.4")
    expect(page.locator("dialog img")).to_have_count(2)
    page.keyboard.press("Escape")
    expect(page.get_by_role("dialog")).to_have_count(0)


def test_the_table_of_a_comparison_is_in_sight_on_a_laptop(
    scene: Scene, server: PageServer, page: Page
) -> None:
    page.set_viewport_size({"width": 1366, "height": 768})
    scene.land(on_plan())
    scene.land(key_hot())
    opened(page, server)
    expect(page.locator("#say")).to_have_text("Key 0.4 high. Lit cheek 0.4 over.")
    page.keyboard.press("v")
    row = page.get_by_role("row", name=re.compile("^hair"))
    expect(row).to_be_visible()
    at_rest(page)
    box = row.bounding_box()
    assert box is not None
    assert box["y"] + box["height"] < 680


def test_a_frame_of_the_morning_is_compared_with_the_last(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.land(on_plan())
    for _ in range(62):
        scene.keep(on_plan())
    scene.land(key_hot())
    opened(page, server)
    expect(page.locator("#say")).to_have_text("Key 0.4 high. Lit cheek 0.4 over.")
    page.keyboard.press("v")
    expect(page.get_by_role("row", name=re.compile("^lit cheek"))).to_be_visible()
    page.get_by_label("Or another").first.fill("1")
    page.get_by_label("Or another").first.press("Tab")
    expect(page.get_by_label("Before")).to_have_value("1")
    expect(page.locator("figcaption").first).to_have_text("Before: 1")


def test_any_frame_is_found_and_stepped_from(scene: Scene, server: PageServer, page: Page) -> None:
    scene.land(key_hot(0.9))
    for _ in range(65):
        scene.keep(on_plan())
    opened(page, server)
    expect(page.locator("#say")).to_have_text("On plan.")
    page.keyboard.press("f")
    page.get_by_label("Its number, or its file's name").fill("F0001.dng")
    page.keyboard.press("Enter")
    expect(page.locator("#say")).to_have_text("Key 0.9 high. Lit cheek 0.9 over.")
    page.keyboard.press("ArrowRight")
    expect(page.locator("#facts")).to_contain_text("F0002.dng")
    page.keyboard.press("ArrowLeft")
    expect(page.locator("#facts")).to_contain_text("F0001.dng")
    page.keyboard.press("f")
    page.get_by_label("Its number, or its file's name").fill("nobody")
    page.keyboard.press("Enter")
    expect(page.locator("#box-fault")).to_have_text("There is no frame nobody.")
    expect(page.get_by_label("Its number, or its file's name")).to_have_value("nobody")


def test_dialled_turns_and_the_predicted_picture_are_shown(
    scene: Scene, server: PageServer, page: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    powers = Powers((("key", "down 0.7, to -2.7"),), (("lit cheek", 6.5),), has_picture=True)
    answer = powers, drawable(made_picture(60, 40))
    ready = {"solved": lambda: answer, "warm": lambda: None, "close": lambda: None}
    monkeypatch.setattr(scene.live, "trying", SimpleNamespace(**ready))
    scene.land(key_hot(0.7))
    opened(page, server)
    page.keyboard.press("d")
    dialog = page.get_by_role("dialog")
    expect(dialog.get_by_role("row", name=re.compile("^key"))).to_contain_text("down 0.7, to -2.7")
    picture = dialog.get_by_role("img", name="The picture that these powers would give")
    expect(picture).to_be_visible()
    assert picture.evaluate("image => image.naturalWidth") == 60

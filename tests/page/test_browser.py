"""The page in a real browser: what a person sees, does, and comes back to."""

from __future__ import annotations

import re
import shutil
import time
from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import expect

from stopwise.conditions import condition
from stopwise.page.live import Status
from stopwise.page.server import Address, PageServer
from stopwise.page.views import frame_view
from stopwise.plan import load_plan
from support.made_picture import drawable, made_picture
from support.page_in_browser import SIZES, box_of, drawn, opened
from support.page_process import SAMPLES
from support.page_scene import PLAN_TEXT, Scene, hair_out, key_hot, on_plan, scene_in
from support.records import finding, turned

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from playwright.sync_api import Page

HOSTILE = "<img src=x onerror=alert(1)>\x1b[2J\u202e.dng"


@pytest.fixture
def server(scene: Scene) -> Iterator[PageServer]:
    with PageServer(scene.live) as serving:
        yield serving


def test_the_headline_changes_with_each_frame(scene: Scene, server: PageServer, page: Page) -> None:
    opened(page, server)
    expect(page.locator("#say")).to_have_text("Waiting for the first frame.")
    scene.land(key_hot())
    expect(page.locator("#say")).to_have_text("Lit cheek 0.4 over.")
    expect(page.locator("#do")).to_have_text("Key down 0.4, to -2.4.")
    expect(page.locator("#spoken")).to_have_text("Lit cheek 0.4 over. Key down 0.4, to -2.4.")
    scene.land(on_plan())
    expect(page.locator("#say")).to_have_text("On plan.")


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_the_headline_is_large_and_nothing_scrolls_sideways(
    scene: Scene, server: PageServer, page: Page, width: int, height: int
) -> None:
    page.set_viewport_size({"width": width, "height": height})
    scene.land(key_hot())
    opened(page, server)
    expect(page.locator("#say")).to_have_text("Lit cheek 0.4 over.")
    size = page.evaluate("parseFloat(getComputedStyle(document.querySelector('#say')).fontSize)")
    assert size >= 0.047 * width - 0.01
    assert page.evaluate("document.documentElement.scrollWidth") <= width


LAPTOPS = [(1280, 720), (1366, 768), (1440, 900), (1920, 1080)]


@pytest.mark.parametrize(("width", "height"), LAPTOPS)
def test_a_laptop_shows_the_first_row_whole_and_no_heading_cut(
    scene: Scene, server: PageServer, page: Page, width: int, height: int
) -> None:
    page.set_viewport_size({"width": width, "height": height})
    scene.land(key_hot())
    opened(page, server)
    expect(page.locator("#image")).to_be_visible()
    page.wait_for_timeout(200)
    bar = box_of(page, "#tools")
    assert bar["y"] + bar["height"] == pytest.approx(height, abs=1)
    for part in (".picture", "#ruler", "#floor"):
        box = box_of(page, part)
        assert box["y"] + box["height"] <= bar["y"]
    for part in ("#run-head", "#findings-head", "#facts-head"):
        assert box_of(page, part)["y"] >= bar["y"]
    tops = {button.bounding_box()["y"] for button in page.locator("#tools button:visible").all()}
    assert len(tops) == 1


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_how_far_behind_stands_beside_the_headline_where_there_is_room(
    scene: Scene, server: PageServer, page: Page, width: int, height: int
) -> None:
    page.set_viewport_size({"width": width, "height": height})
    scene.land(key_hot())
    opened(page, server)
    expect(page.locator("#say")).to_have_text("Lit cheek 0.4 over.")
    scene.live.look_round(Status(2, 0, ()))
    expect(page.locator("#late")).to_have_text("2 behind")
    assert _beside(page) == "first"
    expect(page.locator("#line")).not_to_contain_text("behind")
    long = key_hot()
    long["findings"][0]["of"] = "W" * 60
    scene.land(long)
    expect(page.locator("#say")).to_contain_text("WWW")
    assert _beside(page) == "second"


def test_a_headline_that_leaves_no_room_has_how_far_behind_below_it(
    scene: Scene, server: PageServer, page: Page
) -> None:
    opened(page, server)
    scene.live.look_round(Status(12, 0, ()))
    page.evaluate(
        "for (const id of ['say', 'do']) document.getElementById(id).innerHTML ="
        " '<span class=fit>' + 'W'.repeat(20) + '</span>'"
    )
    scene.live.look_round(Status(13, 0, ()))
    expect(page.locator("#line")).to_contain_text("13 behind")
    expect(page.locator("#late")).to_be_hidden()


def _beside(page: Page) -> str:
    """Return the row on which `#late` stands, having made sure that it covers no word of it."""
    late = box_of(page, "#late")
    middle = late["y"] + late["height"] / 2
    for row, part in (("first", "#say"), ("second", "#do")):
        line, words = box_of(page, part), box_of(page, f"{part} .fit")
        if line["y"] <= middle <= line["y"] + line["height"]:
            assert words["x"] + words["width"] <= late["x"]
            return row
    return "nowhere"


def test_a_line_of_38_wide_letters_stays_on_the_screen_at_its_size(
    scene: Scene, server: PageServer, page: Page
) -> None:
    frame = key_hot()
    frame["findings"][0]["of"] = "W" * 60
    scene.land(frame)
    opened(page, server)
    expect(page.locator("#say")).to_contain_text("0.4 over.")
    right = page.evaluate("document.querySelector('#say .fit').getBoundingClientRect().right")
    assert 700 < right <= 1440


def test_each_lamp_on_the_floor_has_its_instruction(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.land(key_hot())
    opened(page, server)
    expect(page.locator("#lamps .called")).to_have_text(re.compile(r"key\s*down 0\.4, to -2\.4"))
    expect(page.locator("#lamps li")).to_have_count(5)


def test_the_instruction_stands_at_the_lamp_itself_and_carries_far(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.land(key_hot())
    opened(page, server)
    expect(page.locator("#floor .lamp.called")).to_have_count(1)
    expect(page.locator("#floor .told-there")).to_have_text("down 0.4")
    lamp, told = box_of(page, "#floor .lamp.called circle"), box_of(page, "#floor .told-there")
    gap = max(lamp["x"] - told["x"] - told["width"], told["x"] - lamp["x"] - lamp["width"], 0)
    assert gap < 30
    assert abs(lamp["y"] + lamp["height"] / 2 - told["y"] - told["height"] / 2) < 60
    # 16 minutes of arc is the least that ISO 9241-303 advises for text, from memory: at 3 m a
    # capital of 14 mm, with capitals 0.73 of the type, on a screen 0.8 m wide 2.4 % of its width.
    size = page.locator("#lamps .called .said").evaluate(
        "e => parseFloat(getComputedStyle(e).fontSize)"
    )
    assert size >= 0.024 * 1440


@pytest.mark.parametrize("size", [(375, 812), (1366, 768)])
def test_three_lamps_called_and_long_names_keep_to_the_screen(
    tmp_path: Path, page: Page, size: tuple[int, int]
) -> None:
    lamp, cheek = "left paper lamp with the barn doors", "the upper edge of the lit cheek bone"
    text = PLAN_TEXT.replace("left paper", lamp).replace("lit cheek", cheek)
    (tmp_path / "plan.toml").write_text(text, encoding="utf-8")
    scene = scene_in(tmp_path)
    frame = key_hot(file=f"{'a-long-name-' * 6}1.dng")
    frame["patches"][cheek] = frame["patches"].pop("lit cheek")
    frame["findings"][0] |= {"of": cheek}
    for name, of in ((lamp, "backdrop left_right"), ("hair", "hair")):
        check = "backdrop" if name == lamp else "patch"
        frame["findings"].append(finding(check, of, 0.5, 0.0, **turned(name, -0.5)))
    scene.land(frame)
    page.set_viewport_size({"width": size[0], "height": size[1]})
    with PageServer(scene.live) as server:
        opened(page, server)
        scene.live.look_round(Status(3, 2, (f"{'another-' * 8}2.dng",)))
        expect(page.locator("#lamps .called")).to_have_count(3)
        expect(page.locator("#floor .told-there")).to_have_count(3)
        page.wait_for_timeout(200)
        assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
        if size[0] > 1000:
            bar = box_of(page, "#tools")["y"]
            lamps = [row.bounding_box() for row in page.locator("#lamps li").all()]
            assert max(box["y"] + box["height"] for box in lamps if box) <= bar
            told = [one.bounding_box() for one in page.locator("#lamps .called .said").all()]
            assert max(box["height"] for box in told if box) < 0.045 * size[0]  # one line
    scene.live.pictures.close()
    scene.ledger.close()


def test_what_fails_stands_open_and_what_holds_is_counted(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.land(key_hot())
    opened(page, server)
    expect(page.locator("#findings li")).to_have_count(1)
    expect(page.locator("#findings li")).to_contain_text("Lit cheek 0.4 over.")
    expect(page.locator("#held-findings li").first).to_be_hidden()
    page.get_by_text("3 hold").click()
    expect(page.locator("#held-findings li").first).to_be_visible()
    scene.land(on_plan())
    expect(page.locator("#held-count")).to_have_text("All 4 hold")
    expect(page.locator("#held-findings li").first).to_be_visible()


def test_the_run_shows_each_patch_and_each_lamp(
    scene: Scene, server: PageServer, page: Page
) -> None:
    strong = {"key": {"stops": 0.6, "uncertainty": 0.03, "state": "strong"}}
    scene.land(on_plan() | {"lamps": strong})
    scene.land(hair_out() | {"lamps": strong | hair_out()["lamps"]})
    opened(page, server)
    words = page.locator("#run-words")
    expect(words).to_contain_text("lit cheek: 0.0")
    expect(words).to_contain_text("key lamp: +0.6; hair lamp: out")
    expect(page.locator("#run text.figure", has_text="out")).to_have_count(1)


def test_every_condition_of_a_frame_stands_on_the_page_in_the_tables_words(
    scene: Scene, server: PageServer, page: Page
) -> None:
    frame = on_plan()
    frame["levels"]["why"] = {"black": "black_off"}
    frame["patches"]["hair"] |= {"zone": None, "why": {"zone": "not_followed"}}
    frame["patches"]["shadow cheek"] |= {"zone": None, "why": {"zone": "not_followed"}}
    frame["ratio"] |= {"stops": None, "ratio": None, "why": "one_heap"}
    frame["backdrop"] |= {"left_right": None, "why": {"left_right": "no_pairs"}}
    scene.land(frame)
    opened(page, server)
    facts = page.locator("#facts")
    for name in ("black_off", "not_followed", "one_heap", "no_pairs"):
        expect(facts).to_contain_text(condition(name).short)
    expect(facts).to_contain_text(f"hair: {condition('not_followed').short}")
    expect(facts).to_contain_text(f"paper: {condition('no_pairs').short}")


def test_any_frame_is_found_and_stepped_from(scene: Scene, server: PageServer, page: Page) -> None:
    scene.land(key_hot(0.9))
    for _ in range(65):
        scene.keep(on_plan())
    opened(page, server)
    expect(page.locator("#say")).to_have_text("On plan.")
    page.keyboard.press("f")
    page.get_by_label("Its number, or its file's name").fill("F0001.dng")
    page.keyboard.press("Enter")
    expect(page.locator("#say")).to_have_text("Lit cheek 0.9 over.")
    page.keyboard.press("ArrowRight")
    expect(page.locator("#facts")).to_contain_text("F0002.dng")
    page.keyboard.press("ArrowLeft")
    expect(page.locator("#facts")).to_contain_text("F0001.dng")
    page.keyboard.press("f")
    page.get_by_label("Its number, or its file's name").fill("nobody")
    page.keyboard.press("Enter")
    expect(page.locator("#told")).to_have_text("There is no frame nobody.")


def test_a_frame_of_the_morning_is_compared_with_the_last(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.land(on_plan())
    for _ in range(62):
        scene.keep(on_plan())
    scene.land(key_hot())
    opened(page, server)
    expect(page.locator("#say")).to_have_text("Lit cheek 0.4 over.")
    page.keyboard.press("v")
    expect(page.get_by_role("row", name=re.compile("^lit cheek"))).to_be_visible()
    page.get_by_label("Or another").first.fill("1")
    page.get_by_label("Or another").first.press("Tab")
    expect(page.get_by_label("Before")).to_have_value("1")
    expect(page.locator("figcaption").first).to_have_text("Before: 1")


def test_a_phone_has_the_first_buttons_at_hand_and_the_rest_behind_one(
    scene: Scene, server: PageServer, page: Page
) -> None:
    page.set_viewport_size({"width": 375, "height": 812})
    scene.land(on_plan())
    opened(page, server)
    expect(page.get_by_role("button", name="Adopt")).to_be_hidden()
    page.get_by_role("button", name="More").click()
    expect(page.get_by_role("button", name="Less")).to_have_attribute("aria-expanded", "true")
    page.get_by_role("button", name="Adopt").click()
    expect(page.get_by_role("dialog")).to_be_visible()


LAYERS = {
    "Contours": ("1", "#over > .contour"),
    "Blown": ("2", "#over .blown, #over .tag"),
    "Blocked": ("3", "#over .dots"),
    "Patches": ("4", "#over .patch-label, #over > .corner"),
}


@pytest.mark.parametrize("layer", LAYERS)
def test_layers_are_put_away_and_taken_back_by_button_and_key(
    scene: Scene, server: PageServer, page: Page, layer: str
) -> None:
    scene.land(key_hot())
    opened(page, server)
    key, drawn_as = LAYERS[layer]
    expect(page.locator(drawn_as)).not_to_have_count(0)
    page.get_by_role("button", name=layer, exact=True).click()
    expect(page.locator(drawn_as)).to_have_count(0)
    for other, (_, others) in LAYERS.items():
        if other != layer:
            expect(page.locator(others)).not_to_have_count(0)
    page.keyboard.press(key)
    expect(page.locator(drawn_as)).not_to_have_count(0)
    button = page.get_by_role("button", name=layer, exact=True)
    expect(button).to_have_attribute("aria-pressed", "true")


def test_a_blown_area_has_an_outline_left_clean_inside_and_its_number(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.land(key_hot())
    opened(page, server)
    expect(page.locator("#over .tag text")).to_have_text("1")
    fills = page.locator("#over .blown").evaluate_all(
        "all => all.map((e) => getComputedStyle(e).fill)"
    )
    assert set(fills) == {"none"}


def test_a_value_on_the_ruler_stands_at_its_zone(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.land(key_hot())
    opened(page, server)
    expect(page.locator("#ruler .value")).not_to_have_count(0)
    ends = page.evaluate(
        "[...document.querySelectorAll('#ruler > path.rule')][0].getBBox()"
        " && (({y, height}) => [y, y + height])"
        "([...document.querySelectorAll('#ruler > path.rule')][0].getBBox())"
    )
    bar = page.evaluate(
        "(({y, height}) => y + height / 2)"
        "(document.querySelector('#ruler .value.role-fails').getBBox())"
    )
    clip = frame_view(scene.frames[-1])["ruler"]["clip"]
    zone = -0.5 + (ends[1] - bar) / (ends[1] - ends[0]) * (clip + 0.5)
    assert zone == pytest.approx(6.9, abs=0.02)


def test_a_patch_drawn_with_the_mouse_is_in_the_plan_file(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.land(on_plan())
    opened(page, server)
    page.get_by_role("button", name="Draw patches").click()
    expect(page.locator("#over .thing")).to_have_count(5)
    drawn(page, (0.40, 0.64), (0.48, 0.70))
    page.get_by_label("Name").fill("collar")
    page.get_by_label("Target zone").fill("5.5")
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#told")).to_have_text("Saved collar in the plan.")
    patch = load_plan(scene.plan_path).patch("collar")
    assert patch is not None
    assert patch.box == pytest.approx((0.40, 0.64, 0.48, 0.70), abs=0.003)
    assert patch.zone == 5.5
    assert "# the snoot" in scene.plan_path.read_text()


def test_a_patch_is_moved_with_the_mouse_and_undone_by_key(
    scene: Scene, server: PageServer, page: Page
) -> None:
    before = scene.plan_path.read_text()
    scene.land(on_plan())
    opened(page, server)
    page.keyboard.press("p")
    expect(page.locator("#over .thing")).to_have_count(5)
    drawn(page, (0.5, 0.23), (0.55, 0.33))
    expect(page.locator("#told")).to_have_text("Saved hair in the plan.")
    moved = load_plan(scene.plan_path).patch("hair")
    assert moved is not None
    assert moved.box == pytest.approx((0.51, 0.3, 0.59, 0.36), abs=0.003)
    page.keyboard.press("u")
    page.get_by_role("button", name="Take it back").click()
    expect(page.locator("#told")).to_have_text("Took back the last edit of the plan.")
    assert scene.plan_path.read_text() == before


def test_a_patch_is_moved_sized_and_taken_out_by_keyboard_alone(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.land(on_plan())
    opened(page, server)
    page.keyboard.press("p")
    hair = page.locator('#over .thing[data-name="hair"]')
    hair.focus()
    page.keyboard.press("ArrowRight")
    expect(page.locator("#told")).to_have_text("Saved hair in the plan.")
    expect(hair).to_be_focused()
    patch = load_plan(scene.plan_path).patch("hair")
    assert patch is not None
    assert patch.box == (0.465, 0.2, 0.545, 0.26)
    page.keyboard.press("Delete")
    expect(page.locator("#told")).to_contain_text("Took hair out of the plan.")
    assert load_plan(scene.plan_path).patch("hair") is None


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


def test_a_note_of_the_watch_waits_until_an_answer_was_read(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.land(on_plan())
    page.clock.install()
    opened(page, server)
    scene.live.note("Watching today.")
    expect(page.locator("#told")).to_have_text("Watching today.")
    page.keyboard.press("p")
    page.locator('#over .thing[data-name="hair"]').focus()
    page.keyboard.press("ArrowRight")
    expect(page.locator("#told")).to_have_text("Saved hair in the plan.")
    scene.live.note("plan.toml: the plan is read again")
    scene.live.note("F0012 never came.")
    page.wait_for_timeout(300)
    expect(page.locator("#told")).to_have_text("Saved hair in the plan.")
    page.clock.fast_forward(9_000)
    expect(page.locator("#told")).to_have_text("F0012 never came.")
    page.clock.fast_forward(9_000)
    expect(page.locator("#told")).to_have_text("")


def test_a_patch_is_opened_by_a_second_tap_renamed_and_taken_out(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.land(on_plan())
    opened(page, server)
    page.get_by_role("button", name="Draw patches").click()
    hair = page.locator('#over .thing[data-name="hair"] .inside')
    hair.click()
    expect(page.get_by_role("dialog")).to_have_count(0)
    hair.click()
    page.get_by_label("Name").fill("curls")
    page.get_by_label("Target zone").fill("5.5")
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#told")).to_have_text("Saved hair in the plan.")
    curls = load_plan(scene.plan_path).patch("curls")
    assert curls is not None
    assert curls.zone == 5.5
    curled = page.locator('#over .thing[data-name="curls"] .inside')
    expect(page.locator('#over .thing[data-name="curls"]')).to_be_focused()
    curled.click()  # it has the focus since it was saved
    page.get_by_role("button", name="Take it out").click()
    expect(page.locator("#told")).to_contain_text("Took curls out of the plan.")
    assert load_plan(scene.plan_path).patch("curls") is None


def test_a_backdrop_box_is_drawn_moved_by_key_and_taken_out(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.land(on_plan())
    opened(page, server)
    page.keyboard.press("p")
    expect(page.locator("#over .thing.backdrop")).to_have_count(2)
    drawn(page, (0.40, 0.02), (0.60, 0.08))
    page.get_by_label("Backdrop box").check()
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#told")).to_have_text("Saved the backdrop's boxes in the plan.")
    third = page.locator('#over .thing[data-name="backdrop 3"]')
    third.focus()
    page.keyboard.press("ArrowDown")
    wanted = pytest.approx((0.40, 0.025, 0.60, 0.085), abs=0.003)
    _until(lambda: boxes(scene)[2] == wanted)
    expect(third).to_be_focused()
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Take it out").click()
    expect(third).to_have_count(0)
    assert len(boxes(scene)) == 2


def boxes(scene: Scene) -> list[tuple[float, ...]]:
    backdrop = load_plan(scene.plan_path).backdrop
    assert backdrop is not None
    return [tuple(box) for box in backdrop.boxes]


def _until(holds: Callable[[], bool]) -> None:
    until = time.monotonic() + 10
    while not holds():
        assert time.monotonic() < until
        time.sleep(0.05)


HEAR_SOUND = """
    window.struck = [];
    const begun = OscillatorNode.prototype.start;
    OscillatorNode.prototype.start = function (at) {
      window.struck.push(this.frequency.value);
      return begun.call(this, at);
    };
"""


def test_sound_is_off_until_asked_for_then_two_low_knocks_and_another_for_a_lamp_out(
    scene: Scene, server: PageServer, page: Page
) -> None:
    page.add_init_script(HEAR_SOUND)
    opened(page, server)
    scene.land(key_hot())
    expect(page.locator("#say")).to_have_text("Lit cheek 0.4 over.")
    assert page.evaluate("window.struck") == []
    page.keyboard.press("s")
    expect(page.get_by_role("button", name="Sound")).to_have_attribute("aria-pressed", "true")
    page.evaluate("window.struck = []")
    scene.land(on_plan())
    expect(page.locator("#say")).to_have_text("On plan.")
    assert page.evaluate("window.struck") == []
    scene.land(key_hot(0.7))
    expect(page.locator("#say")).to_have_text("Lit cheek 0.7 over.")
    knock = page.evaluate("window.struck.splice(0)")
    assert len(knock) == 2
    assert max(knock) < 200  # low: a pack's ready beep lies at 2 to 4 kHz (common practice)
    scene.land(hair_out())
    expect(page.locator("#say")).to_have_text("Hair lamp did not fire.")
    assert page.evaluate("window.struck") not in ([], knock)
    page.keyboard.press("s")
    page.evaluate("window.struck = []")
    scene.land(key_hot(0.9))
    expect(page.locator("#facts")).to_contain_text("F0005.dng")
    assert page.evaluate("window.struck") == []


def test_before_any_frame_the_set_stands_there_and_without_a_plan_it_is_said(
    scene: Scene, server: PageServer, page: Page
) -> None:
    opened(page, server)
    expect(page.locator("#lamps li")).to_have_count(5)
    expect(page.locator("#lamps")).to_contain_text("at -2.0")
    expect(page.locator("#floor .lamp")).to_have_count(5)
    scene.live.plan = lambda: None
    page.reload()
    expect(page.locator("#lamps")).to_have_text("No plan: start the watch with --plan.")
    page.keyboard.press("p")
    expect(page.locator("#told")).to_have_text("This watch has no plan. Start it with --plan.")


def test_the_table_of_a_comparison_is_in_sight_on_a_laptop(
    scene: Scene, server: PageServer, page: Page
) -> None:
    page.set_viewport_size({"width": 1366, "height": 768})
    scene.land(on_plan())
    scene.land(key_hot())
    opened(page, server)
    expect(page.locator("#say")).to_have_text("Lit cheek 0.4 over.")
    page.keyboard.press("v")
    row = page.get_by_role("row", name=re.compile("^hair"))
    expect(row).to_be_visible(timeout=20_000)
    box = row.bounding_box()
    assert box is not None
    assert box["y"] + box["height"] < 680


def test_a_patch_changed_in_an_editor_meanwhile_is_not_overwritten(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.land(on_plan())
    opened(page, server)
    page.keyboard.press("p")
    expect(page.locator("#over .thing")).to_have_count(5)
    edited = scene.plan_path.read_text().replace("zone = 6.0", "zone = 5.8")
    scene.plan_path.write_text(edited)
    drawn(page, (0.5, 0.23), (0.55, 0.33))
    expect(page.locator("#told")).to_contain_text("was changed in the plan meanwhile")
    assert scene.plan_path.read_text() == edited


def test_a_frame_is_adopted_and_the_adoption_undone(
    scene: Scene, server: PageServer, page: Page
) -> None:
    before = scene.plan_path.read_text()
    scene.land(key_hot())
    opened(page, server)
    expect(page.locator("#say")).to_have_text("Lit cheek 0.4 over.")
    page.keyboard.press("a")
    page.get_by_role("dialog").get_by_role("button", name="Adopt").click()
    expect(page.locator("#told")).to_contain_text("Adopted 4 targets from F0001.dng")
    assert load_plan(scene.plan_path).patches[0].zone == 6.9
    page.get_by_role("button", name="Undo").click()
    assert scene.plan_path.read_text() != before
    page.get_by_role("button", name="Take it back").click()
    expect(page.locator("#told")).to_contain_text("The adoption is taken back")
    assert scene.plan_path.read_text() == before


def test_an_edit_is_taken_back_only_when_it_is_said_again(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.land(key_hot())
    opened(page, server)
    expect(page.locator("#say")).to_have_text("Lit cheek 0.4 over.")
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
    expect(page.locator("#told")).to_have_text(
        "plan.toml: solo of hair is F0001.dng.", timeout=30_000
    )
    assert load_plan(scene.plan_path).frames.solo == {"hair": "F0001.dng"}
    page.keyboard.press("t")
    page.get_by_label("What was turned").fill("key -0.5")
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
    expect(page.get_by_label("Yes, this was turned: key -0.5")).to_be_checked()
    page.get_by_role("button", name="Begin").click()
    expect(page.locator("#told")).to_have_text("A new take begins with the next frame.")
    assert [(one.kind, one.body) for one in scene.ledger.orders.open()] == [("take", "yes")]


def test_two_frames_are_compared_side_by_side(scene: Scene, server: PageServer, page: Page) -> None:
    scene.land(on_plan())
    scene.land(key_hot())
    opened(page, server)
    expect(page.locator("#say")).to_have_text("Lit cheek 0.4 over.")
    page.keyboard.press("v")
    row = page.get_by_role("row", name=re.compile("^lit cheek"))
    expect(row).to_contain_text("+0.4")
    expect(page.locator("dialog img")).to_have_count(2)
    page.keyboard.press("Escape")
    expect(page.get_by_role("dialog")).to_have_count(0)


def test_earlier_frames_are_looked_at_while_new_ones_land(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.land(key_hot())
    scene.land(on_plan())
    opened(page, server)
    expect(page.locator("#say")).to_have_text("On plan.")
    page.keyboard.press("ArrowLeft")
    expect(page.locator("#say")).to_have_text("Lit cheek 0.4 over.")
    scene.land(key_hot(0.7))
    expect(page.locator("#line")).to_contain_text("newest is 3")
    expect(page.locator("#say")).to_have_text("Lit cheek 0.4 over.")
    page.keyboard.press("End")
    expect(page.locator("#say")).to_have_text("Lit cheek 0.7 over.")


def test_a_lamp_that_was_out_stays_called_until_it_is_fixed(
    scene: Scene, server: PageServer, page: Page
) -> None:
    opened(page, server)
    scene.land(hair_out())
    expect(page.locator("#say")).to_have_text("Hair lamp did not fire.")
    scene.land(on_plan())
    expect(page.locator("#say")).to_have_text("Hair lamp was out, 1 good since.")
    page.keyboard.press("o")
    expect(page.locator("#say")).to_have_text("On plan.")


def test_what_the_watcher_is_at_is_said(scene: Scene, server: PageServer, page: Page) -> None:
    opened(page, server)
    scene.live.look_round(Status(2, 0, ("F0009.dng",)))
    expect(page.locator("#line")).to_have_text("Reading F0009.dng")
    expect(page.locator("#late")).to_have_text("2 behind")
    scene.live.look_round(Status(0, 0, ()))
    expect(page.locator("#line")).to_have_text("")


def test_a_hostile_file_name_is_text_only(scene: Scene, server: PageServer, page: Page) -> None:
    page.on("dialog", lambda dialog: pytest.fail(dialog.message))
    frame = key_hot(file=HOSTILE)
    frame["patches"][HOSTILE] = frame["patches"].pop("mask")
    frame["findings"][0]["of"] = HOSTILE
    scene.land(frame)
    opened(page, server)
    expect(page.locator("#facts")).to_contain_text(
        "<img src=x onerror=alert(1)>\\x1b[2J\\u202e.dng"
    )
    assert page.locator("img[src='x']").count() == 0


def test_the_clients_view_shows_picture_number_and_dot_and_no_figure(
    scene: Scene, server: PageServer, page: Page
) -> None:
    scene.land(key_hot())
    opened(page, server, "quiet")
    expect(page.locator("#image")).to_be_visible()
    assert page.locator("main").inner_text().strip().splitlines()[-1] == "Frame 1"
    scene.land(on_plan())
    expect(page.locator("#number")).to_have_text("Frame 2")
    expect(page.locator("#dot")).to_have_class("good")
    assert page.locator("svg path, svg text").count() == 0


def test_the_stream_heals_by_itself_and_misses_nothing(tmp_path: Path, page: Page) -> None:
    scene = scene_in(tmp_path)
    with PageServer(scene.live) as server:
        port = server.rules.port
        opened(page, server)
        scene.land(on_plan())
        expect(page.locator("#say")).to_have_text("On plan.")
    expect(page.locator("#line")).to_contain_text("No connection")
    scene.keep(key_hot())
    scene.ledger.close()
    again = scene_in(tmp_path)
    with PageServer(again.live, Address(port=port)):
        expect(page.locator("#say")).to_have_text("Lit cheek 0.4 over.", timeout=15_000)
        expect(page.locator("#line")).to_have_text("")
        again.land(on_plan())
        expect(page.locator("#say")).to_have_text("On plan.")
        assert page.evaluate("document.querySelectorAll('#run .now').length") == 1
    again.ledger.close()


def test_a_read_only_page_offers_no_edit(tmp_path: Path, page: Page) -> None:
    scene = scene_in(tmp_path)
    scene.land(on_plan())
    with PageServer(scene.live, Address(host=".".join("0000"))) as server:
        page.goto(f"http://127.0.0.1:{server.rules.port}/?token={server.rules.token}")
        expect(page.locator("#say")).to_have_text("On plan.")
        expect(page.get_by_role("button", name="Adopt")).to_have_count(0)
        page.keyboard.press("a")
        expect(page.get_by_role("dialog")).to_have_count(0)
        refused = page.evaluate("fetch('/do/undo', {method: 'POST'}).then((a) => a.status)")
        assert refused == 403
    scene.ledger.close()


def test_dialled_turns_and_the_predicted_picture_are_shown(
    scene: Scene, server: PageServer, page: Page
) -> None:
    lamps = {"key": {"turn": -0.7, "power": -2.7, "at_limit": False}}
    predicted = {"patches": {"lit cheek": 6.5}, "ratios": [], "left_right": None, "clipped": 0.0}
    scene.live.dial = lambda: (
        {"lamps": lamps, "predicted": predicted, "unmet": []},
        drawable(made_picture(60, 40)),
    )
    scene.land(key_hot(0.7))
    opened(page, server)
    page.keyboard.press("d")
    dialog = page.get_by_role("dialog")
    expect(dialog.get_by_role("row", name=re.compile("^key"))).to_contain_text("down 0.7, to -2.7")
    picture = dialog.get_by_role("img", name="The picture that these powers would give")
    expect(picture).to_be_visible()
    assert picture.evaluate("image => image.naturalWidth") == 60

"""The page of the real `stopwise watch --page`: sample frames land, a browser shows them."""

from __future__ import annotations

import json
import re
import signal
import urllib.error
import urllib.request
from typing import TYPE_CHECKING, Any

import pytest
from playwright.sync_api import expect

from stopwise.ledger import Ledger
from stopwise.record import record_from_json
from stopwise.shoot.look_frames import solo_looks
from support.page_process import SAMPLES, PageProcess
from support.watching import PATIENCE_S

if TYPE_CHECKING:
    from pathlib import Path

    from playwright.sync_api import Page

HOSTILE = "<img src=x onerror=alert(1)>.dng"

# What each frame was made to show (sample_frames/truth.json), in the design's words for it.
STORY = {
    "F0001.dng": (r"Grey card: mid-grey 0\.127, set\.", r"Zones stand on it, at this ISO\."),
    "F0002.dng": (r"Ambient: 6\.2 under\.", r"It is taken out of every solo\."),
    "F0003.dng": (r"Paper bare: even to 0\.0\d\.", r"It shows the paper behind the sitter\."),
    "F0004.dng": (r"Key alone: .*\.", r"Good solo\."),
    "F0005.dng": (r"Fill alone: .*\.", r"Good solo\."),
    "F0006.dng": (r"Hair lamp alone: hair 5\.4\.", r"Good solo\."),
    "F0007.dng": (r"Paper left lamp alone: paper 3\.2\.", r"Good solo\."),
    "F0008.dng": (r"Paper right lamp alone: paper 3\.2\.", r"Good solo\."),
    "F0009.dng": (r"Key 0\.[789] high\. Jacket blown\.", r"Key down 0\.[789], to -2\.0\."),
    "F0010.dng": (r"Key 0\.[678] low\. .* under\.", r"Key up 0\.[678], to -2\.0\."),
    "F0011.dng": (r"On plan\.", r"Tightest: .*left\."),
    "F0012.dng": (r"Hair lamp did not fire\.", r"Stop\. Check it, shoot again\."),
    "F0013.dng": (r"Paper right 0\.[456] high\.", r"Paper right lamp down 0\.[456], to -4\.0\."),
    "F0014.dng": (r"No lamp fired\.", r"Check the trigger, shoot again\."),
    "F0015.dng": (r"Hot centre on the lit cheek\.", r"Feather key, powder, or key down"),
    "F0016.dng": (r"Sitter to camera left, 8 % of frame\.", r"Fill, hair not read\."),
    "F0017.dng": (r"Lit cheek .* over, lamps steady\.", r"Sitter has turned\. Leave the lamps\."),
    "F0018.dng": (r"On plan\.", r"Tightest: .*left\."),
    "F0019.dng": (r"On plan\.", r"Tightest: .*left\."),
    "F0020.dng": (r"Shutter 1/250, plan 1/160\.", r"Camera back to 1/160\."),
    "F0021.dng": (r"The file is cut short\.", r"copy it again"),
}
TRUTH = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))["frames"]

HEAR_LINE = """
    window.lines = [];
    new MutationObserver(() => window.lines.push(document.querySelector('#line').textContent))
      .observe(document.querySelector('#line'), {childList: true, subtree: true});
"""


LANDED = ("F0009.dng", "F0012.dng", "F0018.dng", "F0019.dng", "F0020.dng", "F0021.dng")
"""A lamp to turn, a lamp that is out, two looks, a setting, a file that is cut short."""


def test_each_sample_frame_is_headed_by_what_it_was_made_to_show(
    sample_records: dict[str, Any],
) -> None:
    assert list(STORY) == list(TRUTH)
    for name, (say, do) in STORY.items():
        if TRUTH[name]["look"] is None:
            lines = record_from_json(sample_records[name]).headline
            assert max(map(len, lines)) <= 38
            assert re.search(say, lines[0]), (name, lines)
            assert re.search(do, lines[1]), (name, lines)


@pytest.mark.slow
def test_the_headline_changes_with_each_frame_that_lands(tmp_path: Path, page: Page) -> None:
    with PageProcess(tmp_path) as watch:
        page.goto(watch.address)
        expect(page.locator("#say")).to_have_text("Waiting for the first frame.")
        page.evaluate(HEAR_LINE)
        for name in LANDED:
            say, do = STORY[name]
            wear(page, TRUTH[name]["look"])
            watch.land(name)
            expect(page.locator("#facts")).to_contain_text(name)
            expect(page.locator("#say")).to_have_text(re.compile(say))
            expect(page.locator("#do")).to_have_text(re.compile(do))
            assert max(len(page.locator(line).inner_text()) for line in ("#say", "#do")) <= 38
            expect(page.locator("body")).to_have_attribute(
                "data-verdict", TRUTH[name]["verdict"] or "measured"
            )
        shown = page.evaluate("window.lines")
        records = json.loads(watch.get("frames"))
    assert [record["file"] for record in records] == list(LANDED)
    assert {name for name in LANDED if f"Reading {name}" in " ".join(shown)} >= set(LANDED[:-1])
    assert watch.code == 0


def wear(page: Page, look: str | None) -> None:
    """Say on the page which look is worn, where it isn't worn already."""
    line = page.locator("#line")
    worn = re.search(r"Look: ([\w ]+)", line.inner_text())
    if (worn.group(1) if worn else None) == look:
        return
    page.keyboard.press("k")
    page.get_by_label(look or "the plan's own targets").check()
    page.get_by_role("button", name="Wear it").click()
    if look:
        expect(line).to_contain_text(f"Look: {look}")
    else:
        expect(line).not_to_contain_text("Look")


@pytest.mark.slow
def test_a_killed_watch_comes_back_to_the_page_with_nothing_missed(
    tmp_path: Path, page: Page
) -> None:
    with PageProcess(tmp_path) as watch:
        page.goto(watch.address)
        watch.land("F0011.dng")
        expect(page.locator("#say")).to_have_text("On plan.")
        watch.end(signal.SIGKILL)
    expect(page.locator("#line")).to_contain_text("No connection")
    page.evaluate("window.isTheSamePage = true")
    watch.land("F0013.dng")
    with PageProcess(tmp_path) as again:
        assert again.address == watch.address
        expect(page.locator("#say")).to_contain_text("Paper right")
        expect(page.locator("#line")).to_have_text("")
        again.land("F0016.dng", under=HOSTILE)
        expect(page.locator("#facts")).to_contain_text(HOSTILE)
        assert page.locator("img[src='x']").count() == 0
        assert page.evaluate("window.isTheSamePage") is True
        assert len(json.loads(again.get("frames"))) == 3


@pytest.mark.slow
def test_what_is_said_on_the_page_reaches_the_watch_as_the_commands_do(
    tmp_path: Path, page: Page
) -> None:
    with PageProcess(tmp_path) as watch:
        page.goto(watch.address)
        page.keyboard.press("k")
        page.get_by_label("in black").check()
        page.get_by_role("button", name="Wear it").click()
        expect(page.locator("#line")).to_contain_text("Look: in black")
        page.keyboard.press("t")
        turned = page.get_by_role("textbox", name="What was turned")
        turned.fill("kee -0.5")
        page.keyboard.press("Enter")
        expect(page.locator("#box-fault")).to_contain_text('Did you mean "key"?')
        expect(turned).to_have_value("kee -0.5")
        turned.fill("key -0.5")
        page.keyboard.press("Enter")
        expect(page.get_by_role("dialog")).to_have_count(0)
        watch.await_said(r"Take \d+ begins with the next frame: key -0\.5\.")
        watch.land("F0018.dng")
        record = watch.judged()
        expect(page.locator("#facts")).to_contain_text("F0018.dng")
        # nobody turned the key in fact: the frame gives what was said the lie
        expect(page.locator("#lamps .called")).to_contain_text("strong: check its power")
        page.keyboard.press("d")
        dialog = page.get_by_role("dialog")
        expect(dialog).to_contain_text("Powers that")
        expect(dialog.get_by_role("row", name=re.compile("^key"))).to_be_visible()
        expect(dialog.get_by_role("img")).to_be_visible()
    assert record["look"] == "in black"
    assert record["take"] is not None


@pytest.mark.slow
def test_an_adoption_and_a_mark_made_on_the_page_are_taken_back_whole(
    tmp_path: Path, page: Page
) -> None:
    with PageProcess(tmp_path) as watch, Ledger(tmp_path / "ledger.sqlite") as ledger:
        before = watch.plan.read_text(encoding="utf-8")
        page.goto(watch.address)
        watch.land("F0011.dng")
        expect(page.locator("#facts")).to_contain_text("F0011.dng")
        page.keyboard.press("a")
        page.get_by_role("dialog").get_by_role("button", name="Adopt").click()
        expect(page.locator("#told")).to_contain_text("Adopted")
        watch.await_said(r"Adopted F0011\.dng\. Take 1 begins")
        page.keyboard.press("u")
        page.get_by_role("button", name="Take it back").click()
        expect(page.locator("#told")).to_contain_text("The adoption is taken back")
        watch.await_said("no longer adopted")
        assert watch.plan.read_text(encoding="utf-8") == before
        assert ledger.takes.all() == []
        wear(page, "in black")
        watch.land("F0004.dng")
        expect(page.locator("#facts")).to_contain_text("F0004.dng")
        page.keyboard.press("m")
        page.get_by_label("solo of key").check()
        page.get_by_role("button", name="Mark", exact=True).click()
        expect(page.locator("#told")).to_contain_text("solo of key is shoot/F0004.dng")
        assert solo_looks(ledger) == {"key": "in black"}
        page.keyboard.press("u")
        page.get_by_role("button", name="Take it back").click()
        expect(page.locator("#told")).to_have_text("Took the mark back.")
        assert solo_looks(ledger) == {}
        assert watch.plan.read_text(encoding="utf-8") == before
        records = [watch.judged(), watch.judged()]
    assert [record["take"] for record in records] == [None, None]


def test_a_page_on_the_network_wants_its_token_and_may_not_edit(tmp_path: Path, page: Page) -> None:
    every = ".".join("0000")
    with PageProcess(tmp_path, "--host", every) as watch:
        port = re.search(r":(\d+)/", watch.address)
        assert port is not None
        here = f"http://127.0.0.1:{port.group(1)}/"
        token = watch.address.partition("?")[2]
        with pytest.raises(urllib.error.HTTPError, match="401") as refused:
            urllib.request.urlopen(here, timeout=PATIENCE_S)
        refused.value.close()
        page.goto(f"{here}?{token}")
        expect(page).to_have_url(here)
        page.get_by_role("button", name="More").click()
        expect(page.get_by_role("button", name="Compare")).to_be_visible()
        expect(page.get_by_role("button", name="Adopt")).to_have_count(0)
        assert page.evaluate("document.cookie") == ""
        assert page.evaluate("fetch('/do/undo', {method: 'POST'}).then((a) => a.status)") == 403

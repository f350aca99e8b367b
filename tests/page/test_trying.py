"""Light tried on the page: the sample solos in a real browser, each figure as `dial` has it."""

from __future__ import annotations

import os
import re
from base64 import b64decode
from contextlib import closing
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from click.testing import CliRunner
from playwright.sync_api import expect
from starlette.testclient import TestClient

from stopwise.cli.dial_command import dial
from stopwise.errors import StopwiseError, WrongUse
from stopwise.frame import Camera
from stopwise.lamps.solo_checks import check_solos
from stopwise.lamps.superposition import predict
from stopwise.lamps.trial import Trial
from stopwise.ledger import MEMORY, Ledger
from stopwise.page.app import make_app
from stopwise.page.gate import Rules
from stopwise.page.live import LivePage
from stopwise.page.server import Address, PageServer
from stopwise.page.trying import TrialAsked, Trying
from stopwise.plan import load_plan
from stopwise.report.drawable import drawable_of
from stopwise.shoot.dialling import kept_trials, prepare_dials
from support.axe import faults
from support.page_process import MARKED, SAMPLES, PageProcess

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Page

ORIGIN = {"origin": "http://testserver"}
NAN = '{"trial": {"turns": {"key": NaN}}}'
GELS = '\n[[gel]]\nname = "amber"\nstops = [-0.2, -0.7, -2.1]\n'
LAMPS = ["key", "fill", "hair", "paper left", "paper right"]


NARROW = (390, 320)
"""Widths of a phone held upright, and that at which nothing may need to be scrolled sideways (WCAG
2.2, 1.4.10, Reflow)."""

FITS = "document.getElementById('box').scrollWidth <= document.getElementById('box').clientWidth"
"""Whether a page's question fits its width."""


@dataclass
class Studio:
    """A plan with its solos, and the live page over it."""

    plan_path: Path
    ledger: Ledger
    live: LivePage


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Studio]:
    folder = tmp_path_factory.mktemp("tried")
    plan = (SAMPLES / "plan.toml").read_text(encoding="utf-8")
    (folder / "plan.toml").write_text(f"{plan}{GELS}", encoding="utf-8")
    for name in MARKED:
        (folder / name).symlink_to(SAMPLES / name)
    plan_path = folder / "plan.toml"
    with Ledger(folder / "day.sqlite") as ledger:
        prepare_dials(plan_path, ledger=ledger)  # keeps the solos reduced, as the watch does
        live = LivePage(ledger, folder, plan=lambda: load_plan(plan_path), plan_path=plan_path)
        live.trying = Trying(plan_path, ledger, lambda: None)
        yield Studio(plan_path, ledger, live)
        live.close()


@pytest.fixture(scope="module")
def server(studio: Studio) -> Iterator[PageServer]:
    with PageServer(studio.live) as serving:
        yield serving


def opened(page: Page, server: PageServer) -> None:
    page.goto(server.address)
    expect(page.locator("#say")).to_have_text("Waiting for the first frame.")
    page.keyboard.press("y")
    expect(page.locator(".tried-say")).to_contain_text("Leave every lamp as it is")


def by_command(studio: Studio, turns: str) -> str:
    """Return what `dial --try` prints of the same; its ledger is a copy, as it has no process."""
    copy = studio.plan_path.with_name("copy.sqlite")
    copy.unlink(missing_ok=True)
    studio.ledger.copy_to(copy)
    said = ["--plan", str(studio.plan_path), "--ledger", str(copy), "--try", turns]
    done = CliRunner().invoke(dial, said, standalone_mode=False)
    assert done.exception is None, done.exception
    return done.stdout


def hold_to_command(studio: Studio, page: Page, said: str) -> None:
    """Hold each target that the page shows to the line that the command prints of it."""
    told = by_command(studio, said)
    rows = page.locator(".trying tbody tr").all()
    assert len(rows) > 8
    for row in rows:
        name = row.locator("th > span").last.text_content() or ""
        cells = [name.strip(), *row.locator("td").all_text_contents()]
        line = " +".join(re.escape(one) for one in cells if one)
        assert re.search(line, told), (line, told)


def test_what_is_tried_is_shown_as_the_command_tells_it_and_is_said_to_the_watch(
    studio: Studio, server: PageServer, page: Page
) -> None:
    opened(page, server)
    assert page.locator(".tried-faders > .fader input").count() == len(LAMPS)
    key = page.get_by_role("slider", name="key", exact=True)
    expect(key).to_have_attribute("aria-valuetext", "-2.0")
    for _ in range(5):
        key.press("ArrowLeft")
    expect(key).to_have_attribute("aria-valuetext", "-2.5, down 0.5")
    page.get_by_role("slider", name="paper right", exact=True).press("ArrowRight")
    expect(page.locator(".tried-asked li")).to_have_text(
        ["Key down 0.5, to -2.5.", "Paper right lamp up 0.1, to -3.9.", re.compile("^Dump ")]
    )
    hold_to_command(studio, page, "key -0.5, paper right +0.1")
    page.get_by_role("button", name="Set these").click()
    expect(page.locator("#told")).to_have_text("A new take begins with the next frame.")
    said = [(one.kind, one.body) for one in studio.ledger.orders.open()]
    assert said == [("take", "key -0.5, paper right +0.1")]
    assert [one.name for one in kept_trials(studio.ledger)] == ["Light 1"]


@pytest.mark.parametrize(
    ("slider", "key", "step", "said"),
    [
        ("hair", "Home", "Hair lamp off.", "hair off"),
        ("aperture", "ArrowLeft", "Camera to f/10.", "f/10"),
        ("ISO", "ArrowRight", "Camera to ISO 125.", "iso 125"),
        ("shutter time", "Home", "Camera to 1/20 s.", "1/20"),
        ("key, from the sitter", "ArrowLeft", "Key to 1.70 m", "key at 1.7 m"),
        ("hair, gel", "End", "Gel amber on hair lamp.", "hair gel amber"),
    ],
)
def test_more_than_power_is_tried_with_the_commands_figures(
    studio: Studio, server: PageServer, page: Page, slider: str, key: str, step: str, said: str
) -> None:
    opened(page, server)
    page.get_by_text("Camera, distance, gels").click()
    page.get_by_role("slider", name=slider, exact=True).press(key)
    expect(page.locator(".tried-asked li").first).to_contain_text(step)
    hold_to_command(studio, page, said)
    expect(page.get_by_text("paper left lamp nearer or farther", exact=False)).to_be_visible()


def test_trials_are_kept_by_name_and_chosen_from_their_small_pictures(
    studio: Studio, server: PageServer, page: Page
) -> None:
    opened(page, server)
    name = page.get_by_label("Name of this trial")
    hair = page.get_by_role("slider", name="hair", exact=True)
    key = page.get_by_role("slider", name="key", exact=True)
    hair.press("Home")
    expect(hair).to_have_attribute("aria-valuetext", "off")
    name.fill("no hair light")
    name.press("Enter")
    dark = page.get_by_role("button", name="no hair light")
    expect(dark).to_be_visible()
    page.get_by_role("button", name="Put all back").click()
    key.press("ArrowLeft")
    expect(page.locator(".tried-asked li").first).to_have_text("Key down 0.1, to -2.1.")
    name.fill("lower")
    page.get_by_role("button", name="Keep", exact=True).click()
    expect(page.get_by_role("button", name="lower")).to_have_attribute("aria-pressed", "true")
    dark.press("Enter")
    expect(hair).to_have_attribute("aria-valuetext", "off")
    expect(key).to_have_attribute("aria-valuetext", "-2.0")
    expect(dark).to_have_attribute("aria-pressed", "true")
    assert faults(page) == []
    hold_to_command(studio, page, "no hair light")  # which the command knows by its name
    page.reload()
    opened(page, server)
    expect(page.get_by_role("group", name="Kept trials").get_by_role("button")).to_have_count(
        len(kept_trials(studio.ledger))
    )


def test_what_is_set_says_lamps_that_are_off_and_moved(studio: Studio, server: PageServer) -> None:
    plan = studio.plan_path.read_text(encoding="utf-8")
    rules = Rules(host="127.0.0.1", port=80, names=frozenset({"testserver"}), may_edit=True)
    trial = {"turns": {"fill": 0.3}, "off": ["hair"], "metres": {"key": 1.5}}
    trial |= {"camera": {"iso": 125}}
    before = studio.ledger.orders.open()
    try:
        with TestClient(make_app(studio.live, rules)) as client:
            refused = client.post("/do/set", json={"trial": {"off": ["rim"]}}, headers=ORIGIN)
            assert (refused.status_code, refused.json()["say"][:14]) == (422, "Can't try rim:")
            done = client.post("/do/set", json={"trial": trial, "name": "close"}, headers=ORIGIN)
        assert done.status_code == 200
        assert "key" not in load_plan(studio.plan_path).frames.solo  # its solo tells no more
        orders = [(one.kind, one.body) for one in studio.ledger.orders.open()[len(before) :]]
        assert orders == [
            ("moved", ["key"]),
            ("lit", ["key", "fill", "paper left", "paper right"]),
            ("take", "fill +0.3, ISO 125"),
        ]
        assert kept_trials(studio.ledger)[-1].name == "close"
    finally:
        studio.plan_path.write_text(plan, encoding="utf-8")


PAINTED = """() => new Promise((done) => {
  const canvas = document.querySelector(".trying canvas");
  const reader = new FileReader();
  reader.onload = () => done(reader.result);
  reader.readAsDataURL(
    new Blob([canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height).data]));
})"""
"""What the canvas shows, as one data URL: four million numbers one by one took seconds."""


def test_the_picture_in_the_browser_is_the_one_that_dial_would_draw(
    studio: Studio, server: PageServer, page: Page
) -> None:
    opened(page, server)
    key = page.get_by_role("slider", name="key", exact=True)
    for _ in range(4):
        key.press("ArrowRight")
    expect(page.locator(".tried-asked li")).to_have_text(["Key up 0.4, to -1.6."])
    painted = b64decode(page.evaluate(PAINTED).partition(",")[2])
    lamps = prepare_dials(studio.plan_path, ledger=studio.ledger).drawn(studio.ledger)
    assert lamps is not None
    picture = predict(lamps, {"key": 0.4})
    drawn = drawable_of(picture).image.astype(int)
    shown = np.frombuffer(painted, np.uint8).reshape(*drawn.shape[:2], 4)[..., :3].astype(int)
    clean = (picture.clipped == 0) & (
        picture.mean < 0.97 * np.array(picture.ceiling)[:, None, None]
    ).all(axis=0)
    assert clean.mean() > 0.9
    off = np.abs(shown - drawn).max(axis=-1)[clean]
    assert np.quantile(off, 0.999) <= 2  # eight bits, rounded twice


def test_a_held_target_is_met_by_the_other_lamps(
    studio: Studio, server: PageServer, page: Page
) -> None:
    opened(page, server)
    page.get_by_label("Hold lit cheek to shadow cheek", exact=True).check()
    key = page.get_by_role("slider", name="key", exact=True)
    for _ in range(6):
        key.press("ArrowRight")
    ready = prepare_dials(studio.plan_path, ledger=studio.ledger)
    ratio = next(place for place, aim in enumerate(ready.dials.aims) if aim.kind == "ratio")
    due = ready.tried(Trial({"key": 0.6}), held=[ratio], by=["key"]).answer.lamps["fill"]
    assert due.turn > 0.3  # a third of a stop is allowed; beyond it the fill must follow
    fill = page.get_by_role("slider", name="fill", exact=True)
    expect(fill).to_have_attribute("aria-valuetext", re.compile(f"{due.power:.1f}, up "))
    expect(key).to_have_attribute("aria-valuetext", "-1.4, up 0.6")
    assert faults(page) == []
    page.keyboard.press("n")
    expect(page.get_by_role("button", name="As it stands")).to_have_attribute(
        "aria-pressed", "true"
    )
    page.get_by_role("button", name="Put all back").click()
    expect(key).to_have_attribute("aria-valuetext", "-2.0")


def test_a_page_that_may_only_look_tries_and_changes_nothing(studio: Studio, page: Page) -> None:
    with PageServer(studio.live, Address(host=".".join("0000"))) as server:
        page.goto(f"http://127.0.0.1:{server.rules.port}/?token={server.rules.token}")
        page.get_by_role("button", name="More").click()
        page.get_by_role("button", name="Try light").click()
        expect(page.get_by_role("slider", name="hair", exact=True)).to_be_visible()
        expect(page.get_by_role("button", name="Set these")).to_have_count(0)
        expect(page.locator(".tried-targets tbody tr").first).to_be_visible()
        for width in NARROW:
            page.set_viewport_size({"width": width, "height": 700})
            page.wait_for_function(FITS)


def test_what_a_page_sends_is_refused_in_a_sentence(studio: Studio) -> None:
    rules = Rules(host="127.0.0.1", port=80, names=frozenset({"testserver"}), may_edit=True)
    with TestClient(make_app(studio.live, rules)) as client:
        for said in ("nonsense", '{"trial": {"turns": {"key": "up"}}}', NAN, "[" * 4000):
            answer = client.get("/tried", params={"said": said})
            assert (answer.status_code, answer.json()["say"][:20]) == (422, 'That is no trial: {"')
        answer = client.get("/tried", params={"said": '{"trial": {"turns": {"rim": 1}}}'})
        assert answer.json()["say"].startswith("Can't try rim: no solo of that name.")
        answer = client.get("/tried", params={"said": '{"trial": {"turns": {"key": 9}}}'})
        assert "its range goes by" in answer.json()["say"]


def test_without_solos_the_page_says_what_to_shoot_and_a_pipe_for_a_plan_is_not_waited_for(
    tmp_path: Path,
) -> None:
    plan_path = tmp_path / "plan.toml"
    lamp = '[[light]]\nname = "{}"\n'
    plan_path.write_text(f"schema = 1\n{lamp.format('key')}{lamp.format('fill')}", encoding="utf-8")
    with Ledger(MEMORY) as ledger, closing(Trying(plan_path, ledger, lambda: None)) as trying:
        with pytest.raises(WrongUse, match=r"names no solo\. Shoot .* stopwise expect key, fill"):
            trying.opened()
        plan_path.write_text(
            f'schema = 1\n{lamp.format("key")}[frames.solo]\nkey = "F1.dng"\n', encoding="utf-8"
        )
        with pytest.raises(WrongUse, match=r"F1\.dng isn't there: .* anew: stopwise expect key"):
            trying.opened()
        plan_path.unlink()
        os.mkfifo(plan_path)
        with pytest.raises(StopwiseError, match=r"plan\.toml is a pipe or a device and no file"):
            trying.opened()


def test_solos_of_another_camera_and_of_other_clothes_are_told_with_what_to_shoot(
    studio: Studio,
) -> None:
    ready = prepare_dials(studio.plan_path, ledger=studio.ledger)
    [note] = prepare_dials(studio.plan_path, ledger=studio.ledger, look="in black").notes[
        len(ready.notes) :
    ]
    assert note.words.endswith(f"Shoot them anew in it: stopwise expect {', '.join(LAMPS)}")
    solos = dict(ready.lamps.nets)
    solos["fill"] = replace(solos["fill"], camera=Camera("Other", "Body", None))
    [other] = [one for one in check_solos(solos, None, ready.plan) if one.code == "other body"]
    assert other.is_refused
    assert other.words.endswith("stopwise expect fill")


def test_heads_on_one_pack_move_together(studio: Studio) -> None:
    fader = next(one for one in studio.live.trying.opened().faders if one.name == "key")
    assert fader.together == ("key",)
    assert fader.places[fader.stands].value == 0.0
    words = [place.words for place in fader.places]
    assert (*words[:2], words[-1]) == ("off", "-8.0", "full")
    assert TrialAsked.read('{"trial": {"turns": {"key": -0.5}}}').held == ()


@pytest.mark.slow
def test_what_was_tried_and_set_is_what_the_next_frame_shows(tmp_path: Path, page: Page) -> None:
    """The whole way: F0010 was made with the key turned down by 0.7 (sample_frames/truth.json)."""
    with PageProcess(tmp_path) as watch:
        page.goto(watch.address)
        watch.land("F0011.dng")
        expect(page.locator("#facts")).to_contain_text("F0011.dng")
        page.keyboard.press("y")
        key = page.get_by_role("slider", name="key", exact=True)
        expect(key).to_be_visible()
        for _ in range(7):
            key.press("ArrowLeft")
        expect(page.locator(".tried-asked li").first).to_have_text("Key down 0.7, to -2.7.")
        rows = {
            (row.locator("th > span").last.text_content() or "").strip(): row.locator(
                "td"
            ).first.text_content()
            for row in page.locator(".trying tbody tr").all()
        }
        page.get_by_role("button", name="Set these").click()
        expect(page.get_by_role("dialog")).to_have_count(0)
        watch.await_said(r"Take \d+ begins with the next frame: key -0\.7\.")
        watch.land("F0010.dng")
        _, made = watch.judged(), watch.judged()
        expect(page.locator("#told")).to_have_text(re.compile(r"As tried, within 0\.[12]\."))
    for name in ("lit cheek", "shadow cheek", "brow", "jacket", "hair"):
        tried = float(str(rows[name]).removeprefix("Zone "))
        assert made["patches"][name]["zone"] == pytest.approx(tried, abs=0.1)  # 0.05 of rounding

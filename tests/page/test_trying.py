"""Powers tried on the page: the sample solos in a real browser, each figure as `dial` has it."""

from __future__ import annotations

import re
import shutil
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pytest
from click.testing import CliRunner
from playwright.sync_api import expect
from starlette.testclient import TestClient

from stopwise.cli.dial_command import dial
from stopwise.errors import WrongUse
from stopwise.ledger import Ledger
from stopwise.page.app import make_app
from stopwise.page.gate import Rules
from stopwise.page.live import LivePage
from stopwise.page.server import Address, PageServer
from stopwise.page.trying import Trial, Trying
from stopwise.plan import load_plan
from stopwise.preparing.dialling import prepare_dials
from stopwise.report.drawable import drawable_of
from support.axe import faults
from support.page_process import MARKED, SAMPLES, PageProcess

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Page

SLOW_MS = 120_000
LAMPS = ["key", "fill", "hair", "paper left", "paper right"]


@dataclass
class Studio:
    """A plan with its solos, and the live page over it."""

    plan_path: Path
    ledger: Ledger
    live: LivePage


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Studio]:
    folder = tmp_path_factory.mktemp("tried")
    shutil.copy(SAMPLES / "plan.toml", folder)
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
    expect(page.locator(".tried-say")).to_contain_text("Leave every lamp as it is", timeout=SLOW_MS)


def by_command(studio: Studio, turns: str) -> str:
    """Return what `dial --try` prints of the same powers."""
    said = ["--plan", str(studio.plan_path), "--ledger", studio.ledger.place, "--try", turns]
    return CliRunner().invoke(dial, said).stdout


def test_what_is_tried_is_shown_as_the_command_tells_it_and_is_said_to_the_watch(
    studio: Studio, server: PageServer, page: Page
) -> None:
    opened(page, server)
    assert page.locator(".fader input").count() == len(LAMPS)
    key = page.get_by_role("slider", name="key")
    expect(key).to_have_attribute("aria-valuetext", "-2.0")
    for _ in range(5):
        key.press("ArrowLeft")
    expect(key).to_have_attribute("aria-valuetext", "-2.5, down 0.5")
    page.get_by_role("slider", name="paper right").press("ArrowRight")
    expect(page.locator(".tried-asked li")).to_have_count(2)
    told = by_command(studio, "key -0.5, paper right +0.1")
    rows = page.locator(".trying tbody tr")
    assert len(rows.all()) > 8
    for row in rows.all():
        name = row.locator("th > span").last.text_content() or ""
        cells = [name.strip(), *row.locator("td").all_text_contents()]
        line = " +".join(re.escape(one) for one in cells if one)
        assert re.search(line, told), (line, told)
    page.get_by_role("button", name="Set these").click()
    expect(page.locator("#told")).to_have_text("A new take begins with the next frame.")
    said = [(one.kind, one.body) for one in studio.ledger.orders.open()]
    assert said == [("take", "key -0.5, paper right +0.1")]


def test_the_picture_in_the_browser_is_the_one_that_dial_would_draw(
    studio: Studio, server: PageServer, page: Page
) -> None:
    opened(page, server)
    key = page.get_by_role("slider", name="key")
    for _ in range(4):
        key.press("ArrowRight")
    expect(page.locator(".tried-asked li")).to_have_text(["Key up 0.4, to -1.6."])
    painted = page.evaluate(
        "(() => { const c = document.querySelector('.trying canvas');"
        " return [...c.getContext('2d').getImageData(0, 0, c.width, c.height).data]; })()"
    )
    light = prepare_dials(studio.plan_path, ledger=studio.ledger).tried({"key": 0.4})
    picture = light.answer.picture
    drawn = drawable_of(picture).image.astype(int)
    shown = np.array(painted).reshape(*drawn.shape[:2], 4)[..., :3]
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
    key = page.get_by_role("slider", name="key")
    for _ in range(6):
        key.press("ArrowRight")
    ready = prepare_dials(studio.plan_path, ledger=studio.ledger)
    ratio = next(place for place, aim in enumerate(ready.dials.aims) if aim.kind == "ratio")
    due = ready.tried({"key": 0.6}, held=[ratio], by=["key"]).answer.lamps["fill"]
    assert due.turn > 0.3  # a third of a stop is allowed; beyond it the fill must follow
    fill = page.get_by_role("slider", name="fill")
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
        page.get_by_role("button", name="Try powers").click()
        expect(page.get_by_role("slider", name="hair")).to_be_visible(timeout=SLOW_MS)
        expect(page.get_by_role("button", name="Set these")).to_have_count(0)


def test_what_a_page_sends_is_refused_in_a_sentence(studio: Studio) -> None:
    rules = Rules(host="127.0.0.1", port=80, names=frozenset({"testserver"}), may_edit=True)
    with TestClient(make_app(studio.live, rules)) as client:
        for said in ("nonsense", '{"turns": {"key": "up"}}', '{"turns": {"key": NaN}}', "[" * 4000):
            answer = client.get("/tried", params={"said": said})
            assert (answer.status_code, answer.json()["say"][:20]) == (422, 'That is no trial: {"')
        answer = client.get("/tried", params={"said": '{"turns": {"rim": 1}}'})
        assert answer.json()["say"].startswith("Can't try rim: no solo of that name.")
        answer = client.get("/tried", params={"said": '{"turns": {"key": 9}}'})
        assert "its range goes by" in answer.json()["say"]


def test_without_solos_the_page_says_what_to_shoot(tmp_path: Path) -> None:
    plan_path = tmp_path / "plan.toml"
    plan_path.write_text('schema = 1\n[[light]]\nname = "key"\n', encoding="utf-8")
    with Ledger(None) as ledger:
        trying = Trying(plan_path, ledger, lambda: None)
        with pytest.raises(WrongUse, match=r"names no solo\. Shoot each lamp alone and mark it"):
            trying.opened()
        trying.close()


def test_heads_on_one_pack_move_together(studio: Studio) -> None:
    fader = next(one for one in studio.live.trying.opened().faders if one.name == "key")
    assert fader.together == ("key",)
    assert fader.turns[fader.stands] == 0.0
    assert (fader.words[0], fader.words[-1]) == ("-8.0", "full")
    assert Trial.read('{"turns": {"key": -0.5}}').held == ()


@pytest.mark.slow
def test_what_was_tried_and_set_is_what_the_next_frame_shows(tmp_path: Path, page: Page) -> None:
    """The whole way: F0010 was made with the key turned down by 0.7 (sample_frames/truth.json)."""
    with PageProcess(tmp_path) as watch:
        page.goto(watch.address)
        watch.land("F0011.dng")
        expect(page.locator("#facts")).to_contain_text("F0011.dng", timeout=SLOW_MS)
        page.keyboard.press("y")
        key = page.get_by_role("slider", name="key")
        expect(key).to_be_visible(timeout=SLOW_MS)
        for _ in range(7):
            key.press("ArrowLeft")
        expect(page.locator(".tried-asked li")).to_have_text(["Key down 0.7, to -2.7."])
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
        expect(page.locator("#told")).to_have_text(
            re.compile(r"As tried, within 0\.[12]\."), timeout=SLOW_MS
        )
    for name in ("lit cheek", "shadow cheek", "brow", "jacket", "hair"):
        tried = float(str(rows[name]).removeprefix("Zone "))
        assert made["patches"][name]["zone"] == pytest.approx(tried, abs=0.1)  # 0.05 of rounding

"""The routes: what each answers, live and after the fact, and what it does with nonsense."""

from __future__ import annotations

import io
import re
import shutil
from itertools import pairwise
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from PIL import Image
from starlette.testclient import TestClient

from stopwise.page.app import last_number, make_app
from stopwise.page.gate import Rules
from stopwise.page.overlay import difference_lines
from stopwise.page.pictures import Pictures
from stopwise.page.trying import Powers
from stopwise.page.views import changes_view
from stopwise.plan import load_plan
from support.made_picture import drawable, made_picture, rendered
from support.page_process import SAMPLES
from support.page_scene import Scene, hair_out, kept_frame, key_hot, on_plan
from support.records import unreadable

if TYPE_CHECKING:
    from collections.abc import Iterator

HERE = "http://127.0.0.1:8080"


@pytest.fixture
def client(scene: Scene) -> Iterator[TestClient]:
    rules = Rules(host="127.0.0.1", port=8080)
    headers = {"origin": HERE}
    with TestClient(make_app(scene.live, rules), base_url=HERE, headers=headers) as opened:
        yield opened


def test_frames_are_the_records_newest_last(scene: Scene, client: TestClient) -> None:
    assert client.get("/frames").json() == []
    kept = [scene.land(frame) for frame in (on_plan(), key_hot(), unreadable())]
    assert client.get("/frames").json() == [one.row for one in kept]
    assert client.get("/frames?last=1").json() == [kept[-1].row]


def test_a_page_begins_with_the_run_and_the_last_view(scene: Scene, client: TestClient) -> None:
    first = client.get("/begin").json()
    assert (first["run"], first["shown"]["view"], first["shown"]["beat"]["newest"]) == ([], None, 0)
    for _ in range(70):
        scene.keep(on_plan())
    scene.keep(key_hot())
    begin = client.get("/begin").json()
    assert len(begin["run"]) == 60
    view = begin["shown"]["view"]
    assert (view["number"], view["say"]) == (71, "Key 0.4 high. Lit cheek 0.4 over.")
    assert begin["run"][-1]["patches"]["lit cheek"]["off"] == pytest.approx(0.4)


def test_a_view_holds_headline_ruler_floor_and_facts(scene: Scene, client: TestClient) -> None:
    view = client.get(f"/view/{scene.land(key_hot()).frame}").json()["view"]
    lines = ("Key 0.4 high. Lit cheek 0.4 over.", "Key down 0.4, to -2.4.")
    assert (view["say"], view["do"]) == lines
    told = {lamp["name"]: (lamp["told"], lamp["is_called"]) for lamp in view["floor"]["lamps"]}
    assert told["key"] == ("down 0.4, to -2.4", True)
    assert told["fill"] == ("leave at -3.0", False)
    assert view["ruler"]["readings"][0]["figure"] == "+0.4"
    assert ["Settings", "ISO 100, f/11, 1/160"] in view["facts"]


def test_a_picture_is_a_jpeg_of_what_was_rendered(scene: Scene, client: TestClient) -> None:
    number = scene.land(key_hot()).frame
    answer = client.get(f"/picture/{number}")
    assert answer.headers["content-type"] == "image/jpeg"
    with Image.open(io.BytesIO(answer.content)) as image:
        assert image.size == (600, 400)
        shown = np.asarray(image.convert("RGB"), float)
    assert np.abs(shown - rendered(made_picture(600, 400))).mean() < 3


def test_an_overlay_outlines_the_blown_spot_within_its_box(
    scene: Scene, client: TestClient
) -> None:
    overlay = client.get(f"/overlay/{scene.land(key_hot()).frame}").json()
    assert overlay["size"] == [600, 400]
    [[points]] = overlay["blown"]
    x, y = np.reshape(points, (-1, 2)).T / 10_000
    assert 0.57 < x.min() < x.max() < 0.68
    assert 0.77 < y.min() < y.max() < 0.91
    assert {one["level"] for one in overlay["contours"]} <= {k + 0.5 for k in range(8)}


def test_a_frame_of_an_earlier_run_has_its_picture_made_again(
    scene: Scene, client: TestClient
) -> None:
    number = scene.keep(on_plan()).frame
    assert client.get(f"/picture/{number}").status_code == 200


@pytest.mark.parametrize("path", ["/view/99", "/picture/99", "/overlay/99", "/difference/98/99"])
def test_a_frame_that_is_not_there_is_said_to_be_gone(client: TestClient, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 404
    assert "no such frame" in answer.json()["say"]


def test_a_picture_whose_file_is_gone_is_not_there(scene: Scene, client: TestClient) -> None:
    scene.live.pictures = Pictures(lambda *_: None)
    assert client.get(f"/picture/{scene.keep(on_plan()).frame}").status_code == 404
    scene.live.pictures.close()


def test_two_frames_differ_by_patch_in_stops(scene: Scene, client: TestClient) -> None:
    before, after = scene.land(on_plan()).frame, scene.land(key_hot()).frame
    answer = client.get(f"/difference/{before}/{after}").json()
    rows = {row["name"]: row["figure"] for row in answer["patches"]}
    assert rows["lit cheek"] == "+0.4"
    assert rows["hair"] == "0.0"
    assert answer["contours"] == []


def test_a_difference_of_one_stop_across_the_middle_has_its_contours_there() -> None:
    before = np.full((60, 90), 0.1)
    after = before * np.where(np.arange(90) < 45, 1.0, 2.0)
    lines = difference_lines(before, after)
    # half a stop lies on the edge itself, between columns 44 and 45
    [half] = [line for line in lines if line.level == 0.5]
    x = np.reshape(half.points, (-1, 2))[:, 0] / 10_000 * 90
    assert x == pytest.approx(45.0, abs=0.2)
    assert not [line for line in lines if line.level < 0]


def test_pictures_of_different_shape_have_no_contours() -> None:
    assert difference_lines(np.ones((4, 6)), np.ones((6, 4))) == ()


def test_a_patch_that_one_frame_does_not_see_has_no_difference() -> None:
    bare = on_plan()
    [row] = [
        row
        for row in changes_view(kept_frame(bare | {"patches": {}}).record, kept_frame(bare).record)
        if row.name == "hair"
    ]
    assert row.figure == "not seen"


def test_the_page_carries_no_inline_script_or_style(client: TestClient) -> None:
    for path in ("/", "/quiet"):
        text = client.get(path).text
        assert "<script>" not in text
        assert "style=" not in text
        assert "<style" not in text
        assert "http://" not in text.replace("http://www.w3.org", "")


def test_the_clients_view_has_no_figures_in_it(client: TestClient) -> None:
    text = client.get("/quiet").text
    assert not any(word in text for word in ("ruler", "findings", "zone", "clip", "floor"))


def test_both_themes_come_from_the_one_palette(client: TestClient) -> None:
    css = client.get("/theme.css").text
    assert "--ground: #14161A;" in css
    assert ':root[data-theme="light"]' in css


def post(client: TestClient, path: str, **body: Any) -> tuple[int, str]:
    answer = client.post(path, json=body)
    return answer.status_code, answer.json()["say"]


def test_a_frame_is_adopted_and_the_adoption_undone(scene: Scene, client: TestClient) -> None:
    before = scene.plan_path.read_text()
    number = scene.land(key_hot()).frame
    code, said = post(client, "/do/adopt", number=number)
    assert (code, said[:7]) == (200, "Adopted")
    assert load_plan(scene.plan_path).patches[0].zone == 6.9
    assert post(client, "/do/undo")[0] == 200
    assert scene.plan_path.read_text() == before


def test_a_solo_is_marked(scene: Scene, client: TestClient) -> None:
    number = scene.land(on_plan()).frame
    shutil.copy(SAMPLES / "F0004.dng", scene.folder / "F0001.dng")
    assert post(client, "/do/mark", number=number, part="key")[0] == 200
    assert load_plan(scene.plan_path).frames.solo == {"key": "F0001.dng"}


@pytest.mark.parametrize(
    ("path", "body", "refused"),
    [
        ("/do/adopt", {"number": 99}, 422),
        ("/do/adopt", {"number": "1"}, 400),
        ("/do/mark", {"number": 1}, 400),
        ("/do/draw", {"edits": {"patches": [{"was": None, "now": {"name": "x"}}]}}, 400),
        ("/do/draw", {"edits": {"patches": "all"}}, 400),
        ("/do/draw", {}, 400),
        ("/do/draw", {"edits": {"backdrop": {"was": [], "now": "all"}}}, 400),
        ("/do/measure", {"number": 99, "edits": {}}, 422),
        ("/do/lit", {"lamps": [1]}, 400),
        ("/do/lit", {"lamps": []}, 422),
        ("/do/expect", {}, 400),
        ("/do/take", {"turned": 3}, 400),
        ("/do/take", {"turned": "", "more": 1}, 400),
        ("/do/look", {"look": 3}, 400),
    ],
)
def test_an_action_that_makes_no_sense_is_refused_in_words(
    client: TestClient, path: str, body: dict[str, Any], refused: int
) -> None:
    code, said = post(client, path, **body)
    assert code == refused
    assert said.endswith(".")


def test_an_action_that_is_asked_for_again_under_its_name_is_done_once(
    scene: Scene, client: TestClient
) -> None:
    for _ in range(3):
        said = client.post("/do/take", json={"turned": "key -0.5"}, headers={"x-once": "one"})
        assert said.json()["say"] == "A new take begins with the next frame."
    assert len(scene.ledger.orders.open()) == 1
    client.post("/do/take", json={"turned": "key -0.5"}, headers={"x-once": "two"})
    assert len(scene.ledger.orders.open()) == 2


@pytest.mark.parametrize(
    ("body", "code"), [(b"", 400), (b"[]", 400), (b"{", 400), (b"\xff", 400), (b"x" * 300_000, 422)]
)
def test_a_body_that_is_no_object_is_refused(client: TestClient, body: bytes, code: int) -> None:
    assert client.post("/do/adopt", content=body).status_code == code


def test_a_lamp_that_was_out_stays_called_until_fixed_or_three_good_frames(
    scene: Scene,
) -> None:
    def called() -> str | None:
        held = scene.live.held()
        return held and held.say

    scene.land(hair_out())
    assert called() == "Hair lamp did not fire."
    scene.land(on_plan())
    scene.land(unreadable())
    assert called() == "Hair lamp was out, 1 good since."
    scene.land(on_plan())
    scene.land(on_plan())
    assert called() is None
    scene.land(hair_out())
    scene.live.fixed()
    assert called() is None


def test_view_numbers_follow_the_rows(scene: Scene) -> None:
    numbers = [scene.land(on_plan()).frame for _ in range(4)]
    assert all(after == before + 1 for before, after in pairwise(numbers))


def test_the_pages_own_files_come_from_memory_and_only_they(client: TestClient) -> None:
    answer = client.get("/static/page.js")
    assert answer.headers["content-type"].startswith("text/javascript")
    tag = answer.headers["etag"]
    assert client.get("/static/page.js", headers={"if-none-match": tag}).status_code == 304
    for path in ("/static/", "/static/../app.py", "/static/%2e%2e%2fapp.py", "/static/none.js"):
        assert client.get(path).status_code == 404


def test_every_file_that_a_page_names_is_there(client: TestClient) -> None:
    for path in ("/", "/quiet"):
        for name in re.findall(r"/(?:static/[a-z.]+|theme.css|begin)", client.get(path).text):
            assert client.get(name).status_code == 200, name


DIALLED = Powers(
    lamps=(("key", "down 0.7, to -2.7"), ("hair", "up 4.0, to 0.0, its end")),
    zones=(("lit cheek", 6.5),),
    unmet=("Hair stays 0.4 under: its lamp is at full.",),
    has_picture=True,
)


def test_dialled_powers_are_told_with_the_picture_that_they_would_give(
    scene: Scene, client: TestClient
) -> None:
    assert client.get("/predicted").status_code == 404
    assert post(client, "/do/dial") == (
        422,
        "Powers can't be worked out here: the plan needs a solo of each lamp.",
    )
    scene.live.trying = SimpleNamespace(
        solved=lambda: (DIALLED, drawable(made_picture(60, 40))), close=lambda: None
    )
    answer = client.post("/do/dial", json={}).json()
    assert answer["lamps"][0] == ["key", "down 0.7, to -2.7"]
    assert answer["unmet"] == ["Hair stays 0.4 under: its lamp is at full."]
    assert client.get("/predicted").headers["content-type"] == "image/jpeg"


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("12", 12),
        ("", None),
        (None, None),
        ("-1", None),
        ("1e3", None),
        ("٣", None),
        ("9" * 40, None),
    ],
)
def test_only_a_plain_number_is_taken_as_the_last_one_seen(text: str | None, number: int) -> None:
    assert last_number(text) == number

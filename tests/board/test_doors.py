"""The board as an attacker would try it: names, paths, bodies, Host, Origin and slow clients."""

from __future__ import annotations

import socket
from typing import TYPE_CHECKING

import pytest
from starlette.testclient import TestClient

from stopwise.board import doing
from stopwise.board.app import make_app
from stopwise.board.gate import Rules
from stopwise.board.serving import BoardServer
from support.board_scene import PLAN_TEXT, on_plan, scene_in

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from support.board_scene import Scene

HERE = "http://127.0.0.1:8080"
SCRIPT = "<script>alert(1)</script>"
ACTIONS = [route.path for route in doing.routes]


@pytest.fixture
def client(scene: Scene) -> Iterator[TestClient]:
    app = make_app(scene.desk, Rules(host="127.0.0.1", port=8080))
    with TestClient(app, base_url=HERE, headers={"origin": HERE}) as opened:
        yield opened


@pytest.mark.parametrize("name", ["a\r\nset-cookie: x=1\r\n.dng", f"{SCRIPT}.dng"])
def test_a_hostile_file_name_is_data_and_never_a_header_or_markup(
    scene: Scene, client: TestClient, name: str
) -> None:
    number = scene.land(on_plan(file=name)).frame
    for path in ("/", "/quiet", "/frames", "/views", f"/view/{number}", f"/picture/{number}"):
        answer = client.get(path)
        assert answer.status_code == 200, path
        assert "set-cookie" not in answer.headers
        assert not any("\n" in value or SCRIPT in value for value in answer.headers.values())
        if answer.headers["content-type"].startswith("text/html"):
            assert SCRIPT not in answer.text
            assert "set-cookie" not in answer.text
    assert client.get("/frames").json()[0]["file"] == name


def test_a_script_in_plan_title_and_patch_name_never_reaches_the_html(tmp_path: Path) -> None:
    text = PLAN_TEXT.replace("schema = 1", f'schema = 1\ntitle = "{SCRIPT}"')
    (tmp_path / "plan.toml").write_text(text.replace("lit cheek", SCRIPT), encoding="utf-8")
    scene = scene_in(tmp_path)
    scene.land(on_plan())
    with TestClient(make_app(scene.desk, Rules(host="127.0.0.1", port=8080)), HERE) as client:
        assert SCRIPT not in client.get("/").text + client.get("/quiet").text
        answer = client.get("/plan")
        assert answer.headers["content-type"] == "application/json"
        assert SCRIPT in str(answer.json())
    scene.desk.pictures.close()
    scene.ledger.close()


@pytest.mark.parametrize("way", ["../plan.toml", "..%2fplan.toml", "%2e%2e%2fplan.toml", "/etc"])
@pytest.mark.parametrize("route", ["static", "view", "picture", "overlay", "difference/1"])
def test_no_path_leads_out_of_a_route(client: TestClient, route: str, way: str) -> None:
    assert client.get(f"/{route}/{way}").status_code == 404


@pytest.mark.parametrize("path", ACTIONS)
def test_no_action_is_done_for_another_host_or_origin(client: TestClient, path: str) -> None:
    for headers, code in (
        ({"host": "evil.example:8080"}, 421),
        ({"origin": "http://evil.example"}, 403),
        ({"origin": "null"}, 403),
    ):
        assert client.post(path, json={}, headers=headers).status_code == code


def sent(server: BoardServer, head: str, body: bytes = b"") -> bytes:
    """Return the first line that a server answers to what is sent to it raw."""
    with socket.create_connection(("127.0.0.1", server.rules.port), timeout=10) as raw:
        here = f"127.0.0.1:{server.rules.port}"
        lines = f"POST /do/look HTTP/1.1\r\nhost: {here}\r\norigin: http://{here}\r\n{head}\r\n"
        raw.sendall(lines.encode() + body)
        return raw.recv(4096).split(b"\r\n")[0]


def test_an_oversized_body_is_refused_before_it_has_come(scene: Scene) -> None:
    with BoardServer(scene.desk) as server:
        said = sent(server, "content-length: 1000000000000\r\n", b"x" * 70_000)
    assert b" 422 " in said


def test_a_body_that_comes_too_slowly_is_given_up(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(doing, "_BODY_S", 0.1)
    with BoardServer(scene.desk) as server:
        assert b" 408 " in sent(server, "content-length: 20\r\n", b"{")


def test_headers_without_end_are_refused(scene: Scene) -> None:
    with BoardServer(scene.desk) as server:
        assert b" 400 " in sent(server, f"x-long: {'x' * 20_000}")

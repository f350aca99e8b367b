"""The page as an attacker would try it: names, paths, bodies, Host, Origin and slow clients."""

from __future__ import annotations

import socket
from typing import TYPE_CHECKING

import pytest
from starlette.testclient import TestClient

from stopwise.page import actions
from stopwise.page import server as limits
from stopwise.page.app import make_app
from stopwise.page.gate import Rules
from stopwise.page.live import event
from stopwise.page.server import PageServer
from stopwise.plan import load_plan
from support.page_scene import PLAN_TEXT, key_hot, on_plan, scene_in
from support.watching import PATIENCE_S, wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from support.page_scene import Scene

HERE = "http://127.0.0.1:8080"
SCRIPT = "<script>alert(1)</script>"
ACTIONS = [f"/do/{name}" for name in actions.ACTIONS]


@pytest.fixture
def client(scene: Scene) -> Iterator[TestClient]:
    app = make_app(scene.live, Rules(host="127.0.0.1", port=8080))
    with TestClient(app, base_url=HERE, headers={"origin": HERE}) as opened:
        yield opened


@pytest.mark.parametrize("name", ["a\r\nset-cookie: x=1\r\n.dng", f"{SCRIPT}.dng"])
def test_a_hostile_file_name_is_data_and_never_a_header_or_markup(
    scene: Scene, client: TestClient, name: str
) -> None:
    number = scene.land(on_plan(file=name)).frame
    for path in ("/", "/quiet", "/frames", "/begin", f"/view/{number}", f"/picture/{number}"):
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
    with TestClient(make_app(scene.live, Rules(host="127.0.0.1", port=8080)), HERE) as client:
        assert SCRIPT not in client.get("/").text + client.get("/quiet").text
        answer = client.get("/plan")
        assert answer.headers["content-type"] == "application/json"
        assert SCRIPT in str(answer.json())
    scene.live.pictures.close()
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


def sent(server: PageServer, head: str, body: bytes = b"") -> bytes:
    """Return the first line that a server answers to what is sent to it raw."""
    with socket.create_connection(("127.0.0.1", server.rules.port), timeout=PATIENCE_S) as raw:
        here = f"127.0.0.1:{server.rules.port}"
        lines = f"POST /do/look HTTP/1.1\r\nhost: {here}\r\norigin: http://{here}\r\n{head}\r\n"
        raw.sendall(lines.encode() + body)
        return raw.recv(4096).split(b"\r\n")[0]


def test_an_oversized_body_is_refused_before_it_has_come(scene: Scene) -> None:
    with PageServer(scene.live) as server:
        said = sent(server, "content-length: 1000000000000\r\n", b"x" * 300_000)
    assert b" 422 " in said


def test_a_body_that_comes_too_slowly_is_given_up(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(actions, "_BODY_S", 0.1)
    with PageServer(scene.live) as server:
        assert b" 408 " in sent(server, "content-length: 20\r\n", b"{")


def test_headers_without_end_are_refused(scene: Scene) -> None:
    with PageServer(scene.live) as server:
        assert b" 400 " in sent(server, f"x-long: {'x' * 20_000}")


def connected(server: PageServer, said: bytes = b"") -> socket.socket:
    raw = socket.create_connection(("127.0.0.1", server.rules.port), timeout=PATIENCE_S)
    raw.sendall(said)
    return raw


def is_closed(raw: socket.socket) -> bool:
    """Wait for what comes, and tell whether it is the end."""
    try:
        return raw.recv(4096) == b""
    except ConnectionError:
        return True


def trickled(raw: socket.socket, said: bytes, *, pause_s: float) -> bool:
    """Send byte by byte; tell whether the other side closed before the end."""
    for number in range(len(said)):
        try:
            raw.sendall(said[number : number + 1])
            raw.settimeout(pause_s)
            if raw.recv(4096) == b"":
                return True
        except TimeoutError:
            continue
        except ConnectionError:
            return True
    return False


def headers_of(server: PageServer, request: str = "GET /frames") -> bytes:
    return f"{request} HTTP/1.1\r\nhost: 127.0.0.1:{server.rules.port}\r\n\r\n".encode()


def test_a_request_whose_headers_trickle_is_cut_off(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(limits, "HEADERS_S", 0.4)
    with PageServer(scene.live) as server, connected(server) as raw:
        assert trickled(raw, headers_of(server), pause_s=0.05)
    with PageServer(scene.live) as server, connected(server) as raw:
        assert is_closed(raw), "a client that says nothing at all"


def test_a_second_request_that_trickles_is_cut_off_too(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    with PageServer(scene.live) as server, connected(server) as raw:
        raw.sendall(headers_of(server))
        assert raw.recv(65_536).startswith(b"HTTP/1.1 200")
        monkeypatch.setattr(limits, "HEADERS_S", 0.4)
        assert trickled(raw, headers_of(server), pause_s=0.05)


def test_a_body_that_nobody_awaits_is_cut_off_as_well(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(limits, "BODY_S", 0.4)
    with PageServer(scene.live) as server, connected(server) as raw:
        whole = headers_of(server).replace(b"\r\n\r\n", b"\r\ncontent-length: 5000\r\n\r\n")
        raw.sendall(whole)
        assert raw.recv(65_536).startswith(b"HTTP/1.1 200")
        assert trickled(raw, b"x" * 100, pause_s=0.05)


def test_a_viewer_of_the_live_stream_is_never_cut_off(scene: Scene) -> None:
    """No limit is waited for any more: none runs once its request is whole."""
    with PageServer(scene.live) as server, connected(server) as raw:
        raw.sendall(headers_of(server, "GET /events"))
        assert raw.recv(65_536).startswith(b"HTTP/1.1 200")
        [viewer] = server._server.server_state.connections
        assert (viewer._end_request, viewer._end_reading) == (None, None)
        scene.live.stream.tell(event("note", "still here"))
        held = b""
        while b"still here" not in held:
            part = raw.recv(65_536)
            assert part, held
            held += part


def test_a_client_that_reads_nothing_is_cut_off(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(limits, "READING_S", 0.3)
    with PageServer(scene.live) as server:
        raw = socket.socket()
        raw.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        raw.connect(("127.0.0.1", server.rules.port))
        raw.sendall(headers_of(server, "GET /static/page.js") * 400)
        wait_until(lambda: not server.connections)
        raw.close()


def test_no_more_clients_than_the_limits_are_held_and_they_come_in_again_after(
    scene: Scene,
) -> None:
    with PageServer(scene.live) as server:
        held = [connected(server) for _ in range(limits.MOST_OF_ONE)]
        wait_until(lambda: server.connections == limits.MOST_OF_ONE)
        with connected(server) as one_more:
            assert is_closed(one_more)
        for raw in held:
            raw.close()
        wait_until(lambda: not server.connections)
        with connected(server, headers_of(server)) as raw:
            assert raw.recv(65_536).startswith(b"HTTP/1.1 200")


def test_128_connections_are_the_most_from_however_many_addresses(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert limits.MOST_CONNECTIONS == 128
    monkeypatch.setattr(limits, "MOST_OF_ONE", 1000)
    with PageServer(scene.live) as server:
        held = [connected(server) for _ in range(200)]
        wait_until(lambda: sum(was_refused(raw) for raw in held) == 200 - 128)
        assert server.connections == 128
        for raw in held:
            raw.close()


def was_refused(raw: socket.socket) -> bool:
    raw.settimeout(0.01)
    try:
        return is_closed(raw)
    except TimeoutError:
        return False


DEEP = b"[" * 30_000 + b"]" * 30_000
HUGE = b"9" * 400


def drawn_zone(figure: bytes) -> bytes:
    now = b'{"name": "cap", "box": [0.1, 0.1, 0.2, 0.2], "zone": ' + figure + b"}"
    return b'{"edits": {"patches": [{"was": null, "now": ' + now + b"}]}}"


@pytest.mark.parametrize(
    "body",
    [
        b'{"edits": {"patches": ' + DEEP + b"}}",
        b'{"edits": {"look": "\\ud800"}, "part": "\\ud800", "turned": "\\ud800"}',
        drawn_zone(HUGE),
        drawn_zone(b"1e400"),
        drawn_zone(b"NaN"),
        b'{"number": ' + HUGE + b"}",
        b'{"number": 9223372036854775808}',
        b"\xff",
    ],
)
@pytest.mark.parametrize("path", ["/do/draw", "/do/adopt", "/do/take"])
def test_json_that_no_page_sends_is_refused_in_a_sentence(
    scene: Scene, client: TestClient, path: str, body: bytes
) -> None:
    answer = client.post(path, content=body)
    assert answer.status_code == 400
    assert answer.json()["say"].endswith(".")
    assert scene.plan_path.read_text(encoding="utf-8") == PLAN_TEXT


@pytest.mark.parametrize("number", [1 << 63, int("9" * 400), "9" * 5000])
@pytest.mark.parametrize("path", ["view/{}", "picture/{}", "overlay/{}", "difference/1/{}"])
def test_a_number_that_no_frame_has_is_refused_in_a_sentence(
    scene: Scene, client: TestClient, path: str, number: object
) -> None:
    scene.land(on_plan())
    answer = client.get(f"/{path.format(number)}")
    assert answer.status_code == 400
    assert answer.json()["say"].endswith(".")


def test_a_name_of_two_lines_writes_no_line_of_its_own_into_the_plan(
    scene: Scene, client: TestClient
) -> None:
    number = scene.land(key_hot(file='a\nzone = 9.9\n[[light]]\nname = "own"\n.dng')).frame
    answer = client.post("/do/adopt", json={"number": number})
    assert (answer.status_code, answer.json()["say"][-1]) == (422, ".")
    assert scene.plan_path.read_text(encoding="utf-8") == PLAN_TEXT
    look = PLAN_TEXT + '[[look]]\nname = "red"\n' + PATCH.replace("[[patch]]", "[[look.patch]]")
    scene.plan_path.write_text(look, encoding="utf-8")
    red = key_hot(file='b\nzone = 9.9\n[[light]]\nname = "own"\n.dng') | {"look": "red"}
    answer = client.post("/do/adopt", json={"number": scene.land(red).frame})
    assert answer.status_code == 200
    assert "own" not in [light.name for light in load_plan(scene.plan_path).lights]
    assert "(before b\\nzone = 9.9" in scene.plan_path.read_text(encoding="utf-8")


PATCH = '[[patch]]\nname = "lit cheek"\nbox = [0.5, 0.4, 0.6, 0.5]\nzone = 6.5\n'

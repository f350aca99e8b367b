"""Who may come in, what they may do, and what every answer carries."""

from __future__ import annotations

import pytest
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.responses import PlainTextResponse
from starlette.routing import Route
from starlette.testclient import TestClient

from stopwise.page.gate import COOKIE, Gate, Rules, cookie_of, is_loopback

HERE = "127.0.0.1:8080"
TABLET = "192.168.1.20:8080"
EVERYWHERE = ".".join("0000")
SECRET = "s3cret"  # noqa: S105 - opens nothing but these tests


def client(rules: Rules, host: str = HERE) -> TestClient:
    def answer(_: object) -> PlainTextResponse:
        return PlainTextResponse("inside")

    app = Starlette(
        routes=[Route("/", answer), Route("/do", answer, methods=["POST"])],
        middleware=[Middleware(Gate, rules)],
    )
    return TestClient(app, base_url=f"http://{host}", follow_redirects=False)


LOCAL = Rules(host="127.0.0.1", port=8080)
OPEN = Rules(host=EVERYWHERE, port=8080, names=frozenset(("studio",)), token=SECRET, may_edit=False)


@pytest.mark.parametrize("host", [HERE, "localhost:8080", "[::1]:8080", "LOCALHOST:8080"])
def test_this_machine_comes_in_under_its_own_names(host: str) -> None:
    assert client(LOCAL).get("/", headers={"host": host}).text == "inside"


@pytest.mark.parametrize(
    "host",
    [
        "evil.example:8080",
        "127.0.0.1:9",
        "127.0.0.1",
        "192.168.1.20:8080",
        "",
        "127.0.0.1.nip.io:8080",
    ],
)
def test_a_name_that_is_not_ours_is_refused_though_it_resolves_here(host: str) -> None:
    assert client(LOCAL).get("/", headers={"host": host}).status_code == 421


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://127.0.0.1:8080"])
@pytest.mark.parametrize("method", ["GET", "POST"])
def test_another_pages_requests_are_refused(method: str, origin: str) -> None:
    path = "/" if method == "GET" else "/do"
    answer = client(LOCAL).request(method, path, headers={"origin": origin})
    assert answer.status_code == 403


def test_a_change_needs_an_origin_and_ours_will_do() -> None:
    assert client(LOCAL).post("/do").status_code == 403
    assert client(LOCAL).post("/do", headers={"origin": f"http://{HERE}"}).text == "inside"


def test_a_link_from_elsewhere_may_open_the_page_but_not_load_from_it() -> None:
    elsewhere = {"sec-fetch-site": "cross-site"}
    answer = client(LOCAL).get("/", headers={**elsewhere, "sec-fetch-mode": "navigate"})
    assert answer.status_code == 200
    answer = client(LOCAL).get("/", headers={**elsewhere, "sec-fetch-mode": "no-cors"})
    assert answer.status_code == 403


def test_a_visitor_needs_the_token_and_gets_a_cookie_that_scripts_cannot_read() -> None:
    visitor = client(OPEN, TABLET)
    assert visitor.get("/").status_code == 401
    assert visitor.get("/?token=wrong").status_code == 401
    answer = visitor.get("/?token=s3cret&x=1")
    assert (answer.status_code, answer.headers["location"]) == (303, "/?x=1")
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    assert visitor.get("/").text == "inside"


@pytest.mark.parametrize("path", ["//other.host/", "///other.host/", "/%5cother.host/", "//a@b/"])
def test_the_right_token_never_sends_a_visitor_to_another_host(path: str) -> None:
    answer = client(OPEN, TABLET).get(f"http://{TABLET}{path}?token=s3cret&x=1")
    assert answer.status_code == 303
    there = answer.headers["location"]
    assert there.startswith("/")
    assert there[1:2] not in ("/", "\\")


@pytest.mark.parametrize("cookie", ["", "wrong", SECRET, cookie_of(SECRET)[:-1], "\x00", '"'])
def test_a_wrong_cookie_opens_nothing(cookie: str) -> None:
    answer = client(OPEN, TABLET).get("/", headers={"cookie": f"{COOKIE}={cookie}"})
    assert answer.status_code == 401


def test_a_token_opens_no_change_by_itself() -> None:
    headers = {"origin": f"http://{TABLET}"}
    assert client(OPEN, TABLET).post("/do?token=s3cret", headers=headers).status_code == 401


def test_a_page_on_the_network_is_read_only_unless_allowed() -> None:
    headers = {"origin": f"http://{TABLET}", "cookie": f"{COOKIE}={cookie_of(SECRET)}"}
    assert client(OPEN, TABLET).post("/do", headers=headers).status_code == 403
    allowed = Rules(host=EVERYWHERE, port=8080, token=SECRET, may_edit=True)
    assert client(allowed, TABLET).post("/do", headers=headers).text == "inside"


@pytest.mark.parametrize("path", ["/", "/nowhere"])
@pytest.mark.parametrize("host", [HERE, "evil.example:8080"])
def test_every_answer_carries_the_policy_and_no_inline_script_may_run(path: str, host: str) -> None:
    headers = client(LOCAL).get(path, headers={"host": host}).headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"


@pytest.mark.parametrize(
    ("host", "loops"),
    [
        ("127.0.0.1", True),
        ("::1", True),
        ("localhost", True),
        (EVERYWHERE, False),
        ("studio", False),
    ],
)
def test_only_loopback_needs_no_token(host: str, *, loops: bool) -> None:
    assert is_loopback(host) is loops


def test_the_cookie_does_not_tell_the_token() -> None:
    assert SECRET not in cookie_of(SECRET)
    assert len(bytes.fromhex(cookie_of(SECRET))) == 32
    assert cookie_of(SECRET) != cookie_of("other")

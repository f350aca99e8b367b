"""Who may come in: Host, Origin and token of every request, and the headers of every answer."""

from __future__ import annotations

import hmac
import ipaddress
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from starlette.datastructures import Headers, MutableHeaders, QueryParams
from starlette.responses import PlainTextResponse, RedirectResponse, Response

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

COOKIE = "stopwise_page"
_READS = frozenset(("GET", "HEAD"))
_A_YEAR_S = 365 * 24 * 3600

SECURITY_HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
        "connect-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'none'; "
        "frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}
"""On every answer. No inline script runs, nothing is fetched from or shown in another place."""


@dataclass(frozen=True, slots=True)
class Rules:
    """Who may come in and what they may do.

    Attributes
    ----------
    host
        The address that is listened on.
    port
        Its port.
    names
        Host names that are ours besides numeric addresses.
    token
        What a visitor must bring; None where only this machine can come in.
    may_edit
        Whether anything may be changed from a page.
    """

    host: str
    port: int
    names: frozenset[str] = frozenset(("localhost",))
    token: str | None = None
    may_edit: bool = True

    def is_ours(self, authority: str) -> bool:
        """Tell whether a Host header means us: a rebound name of a stranger's doesn't."""
        name, port = _split(authority)
        if port != self.port:
            return False
        if name in self.names or name == self.host.lower():
            return True
        try:
            address = ipaddress.ip_address(name)
        except ValueError:
            return False
        return self.token is not None or address.is_loopback


def is_loopback(host: str) -> bool:
    """Tell whether an address to listen on can be reached from this machine only."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host.lower() == "localhost"


def _split(authority: str) -> tuple[str, int]:
    name, colon, port = authority.strip().lower().rpartition(":")
    if not colon or authority.endswith("]"):
        return authority.strip().lower().strip("[]"), 80
    return name.strip("[]"), int(port) if port.isascii() and port.isdigit() else -1


class Gate:
    """ASGI middleware that lets in what `rules` allow and puts the headers on every answer."""

    def __init__(self, app: ASGIApp, rules: Rules) -> None:
        self.app = app
        self.rules = rules

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a refusal, or hand the request on."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        refusal = self._refusal(scope)
        answer = self.app if refusal is None else refusal
        await answer(scope, receive, _guarded(send))

    def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        if not self.rules.is_ours(headers.get("host", "")):
            return PlainTextResponse("This address isn't the page's.\n", 421)
        if not _same_origin(headers, method=scope["method"]):
            return PlainTextResponse("Requests from other pages aren't answered.\n", 403)
        if self.rules.token is not None and not self._has_cookie(headers):
            return self._welcome(scope)
        if scope["method"] not in _READS and not self.rules.may_edit:
            return PlainTextResponse("This page is read-only. Start it with --allow-edits.\n", 403)
        return None

    def _has_cookie(self, headers: Headers) -> bool:
        try:
            cookies = SimpleCookie(headers.get("cookie", ""))
        except CookieError:
            return False
        return COOKIE in cookies and _is_same(
            cookies[COOKIE].value, cookie_of(self.rules.token or "")
        )

    def _welcome(self, scope: Scope) -> Response:
        """Turn a token in the address into a cookie, and take it out of the address."""
        query = QueryParams(scope["query_string"])
        given = query.get("token")
        is_right = given is not None and _is_same(given, self.rules.token or "")
        if scope["method"] not in _READS or not is_right:
            msg = "Open the address that the watcher printed, token and all.\n"
            return PlainTextResponse(msg, 401)
        rest = urlencode([pair for pair in query.multi_items() if pair[0] != "token"])
        answer = RedirectResponse(scope["path"] + (f"?{rest}" if rest else ""), 303)
        cookie = cookie_of(self.rules.token or "")
        answer.set_cookie(COOKIE, cookie, max_age=_A_YEAR_S, httponly=True, samesite="lax")
        return answer


def cookie_of(token: str) -> str:
    """Return the cookie of those who brought the token: 256 bits that don't tell the token."""
    return hmac.new(token.encode(), b"stopwise page cookie", "sha256").hexdigest()


def _is_same(given: str, right: str) -> bool:
    return hmac.compare_digest(given.encode("utf-8", "replace"), right.encode())


def _same_origin(headers: Headers, *, method: str) -> bool:
    """Tell whether a request comes from our own page, or from none where it only reads."""
    origin = headers.get("origin")
    if origin is not None:
        return origin.lower() == f"http://{headers.get('host', '').lower()}"
    return (method in _READS and headers.get("sec-fetch-site") != "cross-site") or (
        method in _READS and headers.get("sec-fetch-mode") == "navigate"
    )


def _guarded(send: Send) -> Send:
    async def with_headers(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in SECURITY_HEADERS.items():
                headers[name] = value
            headers.setdefault("cache-control", "no-store")
        await send(message)

    return with_headers

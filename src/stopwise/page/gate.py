"""Who may come in: Host, Origin and token of every request, and the headers of every answer."""

from __future__ import annotations

import hmac
import ipaddress
import os
import secrets
import stat
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse

from stopwise.errors import LedgerError
from stopwise.whole_file import replace_file

if TYPE_CHECKING:
    from starlette.responses import Response
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

    from stopwise.ledger import Ledger

COOKIE = "stopwise_page"
_READS = frozenset(("GET", "HEAD"))
_A_YEAR_S = 365 * 24 * 3600
"""Seconds that a device's cookie lasts."""


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
    host, port
        The address that is listened on.
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
        name, colon, port = authority.strip().lower().rpartition(":")
        if not colon or authority.endswith("]"):
            name, port = authority.strip().lower(), "80"
        name = name.strip("[]")
        if not (port.isascii() and port.isdigit()) or int(port) != self.port:
            return False
        if name in self.names or name == self.host.lower():
            return True
        return _is_loopback(name) if self.token is None else _is_numeric(name)


def is_loopback(host: str) -> bool:
    """Tell whether an address to listen on can be reached from this machine only."""
    return host.lower() == "localhost" or _is_loopback(host)


def _is_loopback(host: str) -> bool:
    return _is_numeric(host) and ipaddress.ip_address(host).is_loopback


def _is_numeric(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


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
        answer = self._refusal(Request(scope)) or self.app
        await answer(scope, receive, _guarded(send))

    def _refusal(self, request: Request) -> Response | None:
        if not self.rules.is_ours(request.headers.get("host", "")):
            return PlainTextResponse("This address isn't the page's.\n", 421)
        if not _is_same_origin(request):
            return PlainTextResponse("Requests from other pages aren't answered.\n", 403)
        token = self.rules.token
        if token is not None and not _is_same(request.cookies.get(COOKIE, ""), cookie_of(token)):
            return _welcome(request, token)
        if request.method not in _READS and not self.rules.may_edit:
            return PlainTextResponse("This page is read-only. Start it with --allow-edits.\n", 403)
        return None


def _welcome(request: Request, token: str) -> Response:
    """Turn a token in the address into a cookie, and take it out of the address."""
    is_right = _is_same(request.query_params.get("token", ""), token)
    if request.method not in _READS or not is_right:
        return PlainTextResponse("Open the address that the watcher printed, token and all.\n", 401)
    rest = urlencode([pair for pair in request.query_params.multi_items() if pair[0] != "token"])
    path = "/" + request.url.path.lstrip("/\\")  # two slashes would name another host
    answer = RedirectResponse(path + (f"?{rest}" if rest else ""), 303)
    cookie = cookie_of(token)
    answer.set_cookie(COOKIE, cookie, max_age=_A_YEAR_S, httponly=True, samesite="lax")
    return answer


def cookie_of(token: str) -> str:
    """Return the cookie of those who brought the token: 256 bits that don't tell the token."""
    return hmac.new(token.encode(), b"stopwise page cookie", "sha256").hexdigest()


def _is_same(given: str, right: str) -> bool:
    return hmac.compare_digest(given.encode("utf-8", "replace"), right.encode())


def _is_same_origin(request: Request) -> bool:
    """Tell whether a request comes from our own page, or from none where it only reads."""
    headers = request.headers
    if "origin" in headers:
        return headers["origin"].lower() == f"http://{headers.get('host', '').lower()}"
    is_link = headers.get("sec-fetch-mode") == "navigate"
    return request.method in _READS and (headers.get("sec-fetch-site") != "cross-site" or is_link)


def _guarded(send: Send) -> Send:
    async def with_headers(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            headers.update(SECURITY_HEADERS)
            headers.setdefault("cache-control", "no-store")
        await send(message)

    return with_headers


_BYTES = 16
"""128 random bits, which nobody guesses."""

_MOST_READ = 256
"""Bytes of the file that are looked at: a token takes 22."""

_OTHERS = stat.S_IRWXG | stat.S_IRWXO
_TO_READ = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
_EARLIER = "page token"
"""Setting of ledgers of earlier versions; whoever has such a ledger knows that token."""


def kept_token(ledger: Ledger) -> str:
    """Return the token of a ledger's page, made now if there is none that is safe.

    It lasts as long as the ledger, so that a tablet comes back after a restart, and lies in no
    ledger, so that it goes nowhere with one. Where it can't be written it lasts for this watch.
    """
    with suppress(LedgerError):
        if ledger.settings.get(_EARLIER) is not None:
            ledger.settings.set(_EARLIER, None)
    if ledger.in_memory:
        return secrets.token_urlsafe(_BYTES)
    place = Path(ledger.place)
    place = place.with_name(f"{place.name}.page-token")
    held = _read(place)
    if held:
        return held
    token = secrets.token_urlsafe(_BYTES)
    with suppress(OSError):
        replace_file(place, token.encode(), mode=0o600)
    return token


def _read(place: Path) -> str:
    """Return the token of a file that nobody else can have written or read; "" else."""
    try:
        descriptor = os.open(place, _TO_READ)
    except OSError:
        return ""
    with os.fdopen(descriptor, "rb") as file:
        status = os.fstat(descriptor)
        if not stat.S_ISREG(status.st_mode):
            return ""
        if os.name == "posix" and (status.st_mode & _OTHERS or status.st_uid != os.getuid()):
            return ""
        return file.read(_MOST_READ).decode("ascii", "ignore").strip()

"""The page's server: a thread of the watcher's own process, and what it asks of its clients."""

from __future__ import annotations

import io
import os
import socket
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import h11
import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from stopwise.errors import LedgerError, WrongUse, refusal
from stopwise.page.app import make_app
from stopwise.page.gate import Rules, is_loopback, kept_token

if TYPE_CHECKING:
    import asyncio
    from typing import Self

    from stopwise.ledger import Ledger
    from stopwise.page.live import LivePage

HEADERS_S, BODY_S, READING_S = 10.0, 20.0, 30.0
"""Seconds within which a request's headers and its body must be whole, and an answer be taken."""

MOST_CONNECTIONS, MOST_OF_ONE = 128, 64
"""Connections in all, and of one address: far more than a set has screens, and fewer than the
files that a process may open (256 where least, from memory)."""

_READY_S, _END_S, _IDLE_S = 10.0, 5.0, 5
"""Seconds to begin, to end, and to keep a connection that asks nothing."""

_MOST_HEADER_BYTES = 16_384
"""Of one request, common practice among servers."""

_PORT = "page port"
"""Setting of the ledger."""


@dataclass(frozen=True, slots=True)
class Address:
    """Where a page is served, and what may be done there.

    Attributes
    ----------
    host
        Address to listen on.
    port
        Its port; 0 takes a free one, None the one that this ledger's page had last, so that pages
        find a watch that was started again.
    allow_edits
        Whether visitors from the network may change anything; on loopback all may.
    """

    host: str = "127.0.0.1"
    port: int | None = None
    allow_edits: bool = False

    @property
    def may_edit(self) -> bool:
        """Whether pages may change anything."""
        return self.allow_edits or is_loopback(self.host)


class PageServer:
    """One page on one address, ready when the block begins and gone when it ends.

    Parameters
    ----------
    live
        What it serves.
    at
        Where. With an address other than loopback visitors must bring a token, which is kept
        beside the ledger, so that a tablet that had it comes back after a restart.

    Attributes
    ----------
    rules
        Who may come in.

    Raises
    ------
    WrongUse
        If the address can't be listened on.
    """

    def __init__(self, live: LivePage, at: Address | None = None) -> None:
        at = at or Address()
        self._live = live
        self._socket = _listening(live.ledger, at)
        self.rules = Rules(
            host=at.host,
            port=self._socket.getsockname()[1],
            names=frozenset(("localhost", socket.gethostname().lower())),
            token=None if is_loopback(at.host) else kept_token(live.ledger),
            may_edit=at.may_edit,
        )
        with suppress(LedgerError):
            live.ledger.settings.set(_PORT, self.rules.port)
        config = uvicorn.Config(
            make_app(live, self.rules),
            log_config=None,
            log_level="critical",
            access_log=False,
            server_header=False,
            timeout_graceful_shutdown=1,
            ws="none",
            http=LimitedProtocol,
            proxy_headers=False,
            timeout_keep_alive=_IDLE_S,
            limit_concurrency=MOST_CONNECTIONS,
            h11_max_incomplete_event_size=_MOST_HEADER_BYTES,
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(
            target=self._server.run,
            kwargs={"sockets": [self._socket]},
            name="stopwise-page",
            daemon=True,
        )

    @property
    def address(self) -> str:
        """The address to open, with its token where one is needed."""
        token = "" if self.rules.token is None else f"?token={self.rules.token}"
        return f"http://{_shown_host(self.rules.host)}:{self.rules.port}/{token}"

    @property
    def greeting(self) -> str:
        """What the watch prints: the address, and as a QR code where a tablet may come."""
        code = "" if self.rules.token is None else f"\n{qr_lines(self.address)}"
        return f"page at {self.address}{code}"

    @property
    def connections(self) -> int:
        """How many clients are connected now."""
        return len(self._server.server_state.connections)

    def __enter__(self) -> Self:
        """Begin to serve, and return once a page can be had."""
        self._thread.start()
        until = time.monotonic() + _READY_S
        while not self._server.started and self._thread.is_alive() and time.monotonic() < until:
            time.sleep(0.005)
        return self

    def __exit__(self, *_: object) -> None:
        """End every stream and stop."""
        self._live.stream.close()
        self._server.should_exit = True
        self._thread.join(_END_S)
        self._socket.close()


class LimitedProtocol(H11Protocol):
    """The server's protocol with limits to how long a client may take, which it hasn't itself.

    From the first moment, and from the first byte of each later request, a request's headers must
    be whole within `HEADERS_S`, then its body within `BODY_S`, however steadily it trickles; what
    is written to a client must be taken within `READING_S`. A stream that waits for news takes no
    time of these. More than `MOST_CONNECTIONS`, or `MOST_OF_ONE` of one address, are closed at
    once, so that no client uses up the files that the watch may open.
    """

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self._awaited: object = None
        self._end_request: asyncio.TimerHandle | None = None
        self._end_reading: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait for the first request, or close where there are too many clients."""
        super().connection_made(transport)
        hosts = [one.client and one.client[0] for one in self.connections if hasattr(one, "client")]
        of_one = hosts.count(self.client and self.client[0])
        if len(self.connections) > MOST_CONNECTIONS or of_one > MOST_OF_ONE:
            transport.abort()
            return
        self._await(h11.IDLE)

    def data_received(self, data: bytes) -> None:
        """Take what came, and wait no longer for the rest than before."""
        super().data_received(data)
        self._look()

    def on_response_complete(self) -> None:
        """Go on to the next request; one that has begun to come is waited for."""
        super().on_response_complete()
        self._await(None)
        self._look()

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait for nothing any more."""
        self._await(None)
        self.resume_writing()
        super().connection_lost(exc)

    def pause_writing(self) -> None:
        """Wait for a client that takes nothing, for a while."""
        super().pause_writing()
        self._end_reading = self.loop.call_later(READING_S, self.transport.abort)

    def resume_writing(self) -> None:
        """Go on writing."""
        if self._end_reading is not None:
            self._end_reading.cancel()
            self._end_reading = None
        super().resume_writing()

    def _look(self) -> None:
        """See what of a request is still to come."""
        state = self.conn.their_state
        has_begun = state is not h11.IDLE or self.conn.trailing_data[0]
        self._await(state if state in (h11.IDLE, h11.SEND_BODY) and has_begun else None)

    def _await(self, state: object) -> None:
        """Wait for what a state awaits; one that is awaited already isn't given more time."""
        if state is self._awaited:
            return
        self._awaited = state
        if self._end_request is not None:
            self._end_request.cancel()
            self._end_request = None
        if state is not None:
            allowed_s = HEADERS_S if state is h11.IDLE else BODY_S
            self._end_request = self.loop.call_later(allowed_s, self.transport.abort)


def _listening(ledger: Ledger, at: Address) -> socket.socket:
    """Return a socket on the port that is asked for, else on that of the last page, else free."""
    if at.port is not None:
        return _bound(at.host, at.port)
    try:
        return _bound(at.host, ledger.settings.get(_PORT, 0))
    except WrongUse:
        return _bound(at.host, 0)


def _bound(host: str, port: int) -> socket.socket:
    listener = None
    try:
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
        listener = socket.socket(family, socket.SOCK_STREAM)
        if os.name == "posix":
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
    except (OSError, OverflowError, UnicodeError) as error:
        if listener is not None:
            listener.close()
        msg = (
            f"The page can't listen on {host} port {port}: {refusal(error)}. "
            "Give another --host, or --port 0."
        )
        raise WrongUse(msg) from None
    return listener


def _shown_host(host: str) -> str:
    """Return a host for an address that another machine can open."""
    if host in ("0.0.0.0", "::"):  # noqa: S104 - only asked about, never bound here
        return socket.gethostname()
    return f"[{host}]" if ":" in host else host


def qr_lines(address: str) -> str:
    """Return an address as a QR code of half blocks, for a terminal."""
    import segno

    target = io.StringIO()
    segno.make(address, error="m").terminal(target, compact=True)
    return target.getvalue()

"""Serve the page from a thread of the watcher's own process."""

from __future__ import annotations

import os
import secrets
import socket
import threading
import time
from typing import TYPE_CHECKING

import uvicorn

from stopwise.errors import WrongUse
from stopwise.page.app import make_app
from stopwise.page.gate import Rules, is_loopback
from stopwise.page.patience import MOST_CONNECTIONS, PatientProtocol

if TYPE_CHECKING:
    from types import TracebackType
    from typing import Self

    from stopwise.page.desk import Desk

_READY_S = 10.0
_END_S = 5.0
_TOKEN_BYTES = 16
_IDLE_S = 5
_MOST_HEADER_BYTES = 16_384


class PageServer:
    """One page on one address, ready when the block begins and gone when it ends.

    Parameters
    ----------
    desk
        What it serves.
    host
        Address to listen on; other than loopback, visitors must bring a token.
    port
        Port; 0 takes a free one.
    token
        The token; None makes one where it is needed.

    Attributes
    ----------
    rules
        Who may come in.

    Raises
    ------
    WrongUse
        If the address can't be listened on.
    """

    def __init__(
        self, desk: Desk, *, host: str = "127.0.0.1", port: int = 0, token: str | None = None
    ) -> None:
        self._desk = desk
        self._socket = _listening(host, port)
        needs_token = not is_loopback(host)
        self.rules = Rules(
            host=host,
            port=self._socket.getsockname()[1],
            names=frozenset(("localhost", socket.gethostname().lower())),
            token=(token or new_token()) if needs_token else None,
            may_edit=desk.may_edit,
        )
        config = uvicorn.Config(
            make_app(desk, self.rules),
            log_config=None,
            log_level="critical",
            access_log=False,
            server_header=False,
            timeout_graceful_shutdown=1,
            ws="none",
            http=PatientProtocol,
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
        """The address to print, with the token where one is needed."""
        return f"http://{_shown_host(self.rules.host)}:{self.rules.port}/" + (
            f"?token={self.rules.token}" if self.rules.token else ""
        )

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

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """End every stream and stop."""
        self._desk.news.close()
        self._server.should_exit = True
        self._thread.join(_END_S)
        self._socket.close()


def new_token() -> str:
    """Return a token that nobody guesses."""
    return secrets.token_urlsafe(_TOKEN_BYTES)


def _listening(host: str, port: int) -> socket.socket:
    try:
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
    except (OSError, OverflowError) as error:
        raise _refused(host, port, error) from None
    listener = socket.socket(family, socket.SOCK_STREAM)
    try:
        if os.name == "posix":
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
    except (OSError, OverflowError) as error:
        listener.close()
        raise _refused(host, port, error) from None
    return listener


def _refused(host: str, port: int, error: Exception) -> WrongUse:
    why = getattr(error, "strerror", None) or error
    return WrongUse(f"The page can't listen on {host} port {port}: {why}. Try --port 0.")


def _shown_host(host: str) -> str:
    """Return a host for an address that another machine can open."""
    if host in ("0.0.0.0", "::"):  # noqa: S104 - only asked about, never bound here
        return socket.gethostname()
    return f"[{host}]" if ":" in host else host


def qr_lines(address: str) -> str:
    """Return an address as a QR code of half blocks, for a terminal."""
    import io

    import segno

    target = io.StringIO()
    segno.make(address, error="m").terminal(target, compact=True)
    return target.getvalue()

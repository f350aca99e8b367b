"""The page of a running watch: what the watch command opens, feeds and closes."""

from __future__ import annotations

from contextlib import ExitStack, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Self

from stopwise.errors import LedgerError, WrongUse
from stopwise.page.actions import Actions
from stopwise.page.again import LONGEST, PicturesAgain
from stopwise.page.desk import Desk
from stopwise.page.gate import is_loopback
from stopwise.page.pictures import Pictures
from stopwise.page.serving import PageServer, new_token, qr_lines
from stopwise.report.drawable import drawable_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from stopwise.ledger import Kept, Ledger
    from stopwise.page.desk import Dialler
    from stopwise.plan.model import Plan

PICTURE_EDGE = LONGEST
"""What a brief asks for as `picture_edge` when there is a page."""

_TOKEN = "page token"  # noqa: S105 - the name of the setting
_PORT = "page port"


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


class LivePage(ExitStack):
    """A page over a watch's ledger, folder and plan; serves from entry to exit.

    Parameters
    ----------
    ledger, folder
        Of the watch.
    plan
        Returns the plan as its file stands now; the same object until the file is read again.
    plan_path
        The plan file, or None.
    at
        Where to serve it.
    dial
        Works out powers; None where there is no way to.

    Raises
    ------
    WrongUse
        If the address can't be listened on.
    """

    def __init__(
        self,
        ledger: Ledger,
        folder: Path,
        *,
        plan: Callable[[], Plan | None],
        plan_path: Path | None = None,
        at: Address | None = None,
        dial: Dialler | None = None,
    ) -> None:
        super().__init__()
        at = at or Address()
        self._again = PicturesAgain(ledger)
        self._plan = plan
        self._plan_seen = plan()
        self.desk = Desk(
            ledger,
            plan=plan,
            pictures=Pictures(self._again),
            actions=Actions(ledger, folder, plan_path),
            may_edit=at.may_edit,
            dial=dial,
        )
        self._server = _served(self.desk, at, ledger)

    def __enter__(self) -> Self:
        """Begin to serve; a page can be had when this returns. What is begun here ends with it."""
        self.callback(self._again.close)
        self.callback(self.desk.pictures.close)
        self.enter_context(self._server)
        return self

    @property
    def address(self) -> str:
        """The address to open, with its token where one is needed."""
        return self._server.address

    @property
    def greeting(self) -> str:
        """What the watch prints: the address, and as a QR code where a tablet may come."""
        line = f"page at {self.address}"
        return line if self._server.rules.token is None else f"{line}\n{qr_lines(self.address)}"

    def landed(self, kept: Kept, assessment: Any) -> None:
        """Show a frame that was judged and is kept, with the picture that came along."""
        picture = getattr(assessment, "picture", None)
        self.desk.landed(kept, None if picture is None else lambda: drawable_of(picture))

    def look_round(
        self, *, behind: int, backlog: int, decoding: list[str], said: Sequence[str] = ()
    ) -> None:
        """Tell how far the watch is, and of a plan that was edited; cheap, call it often."""
        self.desk.status(behind=behind, backlog=backlog, decoding=decoding, said=said)
        plan = self._plan()
        if plan is not self._plan_seen:
            self._plan_seen = plan
            self.desk.plan_changed()

    def note(self, words: str) -> None:
        """Show one line of text."""
        self.desk.note(words)


def _served(desk: Desk, at: Address, ledger: Ledger) -> PageServer:
    """Return a server on the address that is asked for, else where the last page was, else free.

    The token is kept with the ledger: a tablet that had it comes back after a restart.
    """
    token = None if is_loopback(at.host) else _kept(ledger, _TOKEN, new_token())
    last = ledger.settings.get(_PORT, 0) if at.port is None else at.port
    try:
        server = PageServer(desk, host=at.host, port=last, token=token)
    except WrongUse:
        if at.port is not None:
            raise
        server = PageServer(desk, host=at.host, port=0, token=token)
    with suppress(LedgerError):
        ledger.settings.set(_PORT, server.rules.port)
    return server


def _kept(ledger: Ledger, name: str, new: str) -> str:
    """Return a setting, made now if it isn't there."""
    held = ledger.settings.get(name)
    if isinstance(held, str) and held:
        return held
    with suppress(LedgerError):
        ledger.settings.set(name, new)
    return new

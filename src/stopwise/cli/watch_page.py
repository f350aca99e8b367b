"""The page beside a watch: its options, and how it is opened, printed and fed."""

from __future__ import annotations

from contextlib import closing, contextmanager
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any

import click

from stopwise.errors import WrongUse

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from stopwise.cli.watching import Shown, WatchRun
    from stopwise.folder.watcher import Landing
    from stopwise.ledger import Ledger
    from stopwise.page.live import LivePage
    from stopwise.page.server import Address

_LOOPBACK = "127.0.0.1"


def page_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options of the page."""
    options = (
        click.option("--page", "with_page", is_flag=True, help="Serve the live page."),
        click.option("--host", help="Address that the page listens on; others need its token."),
        click.option("--port", type=click.IntRange(0, 65535), help="Its port; 0: a free one."),
        click.option("--open", "opens", is_flag=True, help="Show the page in a browser."),
        click.option(
            "--allow-edits", is_flag=True, help="Let visitors from the network change the plan."
        ),
    )
    for option in reversed(options):
        command = option(command)
    return command


class WatchPage:
    """The page of one watch; without `--page` it does nothing.

    Parameters
    ----------
    at
        Where it is served; None for no page.
    opens
        Whether a browser is to show it.
    """

    def __init__(self, at: Address | None, *, opens: bool = False) -> None:
        self._at = at
        self._opens = opens
        self._page: LivePage | None = None
        self._run: WatchRun | None = None

    @property
    def picture_edge(self) -> int:
        """What a brief asks for as `picture_edge`."""
        if self._at is None:
            return 0
        from stopwise.page.pictures import LONGEST

        return LONGEST

    def fed(self, shown: Shown) -> Shown:
        """Return where the watch says things, so that the page hears them too."""
        if self._at is None:
            return shown

        def note(words: str) -> None:
            shown.note(words)
            if self._page is not None:
                self._page.note(words)

        def landing(landed: Landing) -> None:
            shown.landing(landed)
            self._landed(landed)

        return replace(shown, note=note, landing=landing, moved=self._moved)

    @contextmanager
    def over(self, run: WatchRun, ledger: Ledger, *, plan_path: Path | None) -> Iterator[None]:
        """Serve the page while the block lasts; a page can be had when it begins.

        Raises
        ------
        WrongUse
            If the address can't be listened on.
        """
        if self._at is None:
            yield
            return
        from stopwise.page.server import PageServer

        self._run = run
        with closing(_live_page(ledger, run, plan_path)) as page, PageServer(page, self._at) as at:
            self._page = page
            click.echo(at.greeting, err=True)
            if self._opens:
                _show(at.address)
            yield
            self._page = None

    def _landed(self, landing: Landing) -> None:
        if self._page is not None:
            from stopwise.report.drawable import drawable_of

            picture = getattr(landing.assessment, "picture", None)
            self._page.landed(landing.kept, picture and partial(drawable_of, picture))
            self._moved()

    def _moved(self) -> None:
        if self._page is None or self._run is None:
            return
        from stopwise.page.live import Status

        now = self._run.watcher.status()
        said = _said(self._run, self._page.ledger)
        status = Status(now.behind, now.backlog, tuple(now.reading), said)
        self._page.look_round(status, plan_read=self._run.plan)


def _said(run: WatchRun, ledger: Ledger) -> tuple[str, ...]:
    """Return what was said to the watch and still holds, in a few words each."""
    from stopwise.shoot.awaiting import awaiting_now

    standing = run.day.standing
    said = [] if standing.look is None else [f"Look: {standing.look}"]
    if standing.lit is not None:
        said.append(f"Lit: {', '.join(standing.lit)}")
    awaiting = awaiting_now(ledger)
    if awaiting.left:
        words = awaiting.words()
        said.append(f"{words[:1].upper()}{words[1:]}")
    return tuple(said)


def watch_page(
    *,
    with_page: bool,
    host: str | None,
    port: int | None,
    opens: bool,
    allow_edits: bool,
    **_: Any,
) -> WatchPage:
    """Return the page that the options ask for.

    Raises
    ------
    WrongUse
        If they say how to serve a page, and there is to be none.
    """
    if not with_page:
        if host is not None or port is not None or opens or allow_edits:
            msg = "--host, --port, --open and --allow-edits say how a page is served: add --page."
            raise WrongUse(msg)
        return WatchPage(None)
    from stopwise.page.server import Address

    at = Address(host=host or _LOOPBACK, port=port, allow_edits=allow_edits)
    return WatchPage(at, opens=opens)


def _live_page(ledger: Ledger, run: WatchRun, plan_path: Path | None) -> LivePage:
    from pathlib import Path

    from stopwise.page.actions import page_dialler
    from stopwise.page.live import LivePage

    dial = None
    if plan_path is not None:
        dial = page_dialler(plan_path, ledger, lambda: run.day.standing.look)
    return LivePage(
        ledger,
        Path(run.watcher.folder),
        plan=run.day.plan_now,
        plan_path=plan_path,
        dial=dial,
    )


def _show(address: str) -> None:
    """Show an address in the person's browser, or say that there is none."""
    import webbrowser

    if not webbrowser.open(address):
        click.echo("No browser was found here: open the address by hand.", err=True)

"""`stopwise watch`: judge frames as they land in a folder; its options, and the page beside it."""

from __future__ import annotations

from contextlib import ExitStack, closing, contextmanager
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any

import click

from stopwise.cli.options import (
    PATH,
    POSITIVE,
    check_look,
    json_option,
    ledger_option,
    plan_option,
    read_plan,
)
from stopwise.cli.printing import say_json, warn
from stopwise.errors import LedgerError, PathMissing, WrongUse

if TYPE_CHECKING:
    import threading
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from stopwise.cli.watching import Shown, WatchRun
    from stopwise.folder.watcher import Landing
    from stopwise.ledger import Ledger
    from stopwise.page.live import LivePage
    from stopwise.page.server import Address
    from stopwise.report.terminal import Terminal


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
            warn(*at.greeting.split("\n"))
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
        take = self._run.day.standing.take
        status = Status(now.behind, now.backlog, tuple(now.reading), said, take)
        self._page.look_round(status, plan_read=self._run.plan)


def _said(run: WatchRun, ledger: Ledger) -> tuple[str, ...]:
    """Return what was said to the watch and still holds, in a few words each."""
    from stopwise.shoot.awaited_parts import awaiting_now

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

    from stopwise.page.live import LivePage
    from stopwise.page.trying import Trying

    live = LivePage(ledger, Path(run.watcher.folder), plan=run.day.plan_now, plan_path=plan_path)
    if plan_path is not None:
        live.trying = Trying(plan_path, ledger, lambda: run.day.standing.look)
    live.dials = run.day.dials_now
    return live


def _show(address: str) -> None:
    """Show an address in the person's browser, or say that there is none."""
    import webbrowser

    if not webbrowser.open(address):
        warn("No browser was found here: open the address by hand.")


@click.command()
@click.argument("folder", type=PATH)
@plan_option
@json_option
@ledger_option
@click.option("--poll", "is_polling", is_flag=True, help="Compare listings: for network shares.")
@click.option(
    "--settle",
    "settle_s",
    type=POSITIVE,
    default=10.0,
    help="Seconds that a short file is waited for.",
)
@click.option("--workers", type=click.IntRange(1), default=2, help="Decoding processes.")
@click.option("--look", help="Name of the look that is worn.")
@page_options
def watch(folder: Path, plan_path: Path | None, **chosen: Any) -> int:
    """Judge raw files as they land in FOLDER, one line a frame. Ctrl-C ends it.

    Example: stopwise watch ~/shoots/today --plan plan.toml
    """
    from stopwise.cli.watching import WatchRun
    from stopwise.folder.signals import ended_by_signals
    from stopwise.ledger import Ledger, default_place
    from stopwise.pipeline import Brief
    from stopwise.report.terminal import Terminal

    place = chosen["ledger_path"] or default_place(folder)
    _check(folder, place, plan_path, chosen["look"])
    page = watch_page(**chosen)
    with ended_by_signals() as asked, _cut_short(asked.stop), ExitStack() as opened:
        ledger = opened.enter_context(Ledger(place, on_wait=_word_of_a_lock(place, asked.stop)))
        terminal = None if chosen["as_json"] else Terminal()
        shown = _shown(terminal)
        run = WatchRun(
            folder,
            ledger,
            page.fed(shown),
            plan_path=plan_path,
            options=_options(**chosen),
            brief=Brief(look=chosen["look"], picture_edge=page.picture_edge),
        )
        asked.wake = run.watcher.wake
        opened.enter_context(page.over(run, ledger, plan_path=plan_path))
        if terminal is not None:
            opened.enter_context(terminal)
        if ledger.set_aside is not None:
            shown.note(f"The ledger was damaged and lies now at {ledger.set_aside}.")
        shown.note(f"watching {folder}; records in {ledger.place}")
        run.run(asked.stop)
    return 0


@contextmanager
def _cut_short(stop: threading.Event) -> Iterator[None]:
    """Let a ledger be that is locked, where the wait for it was cut short by `stop`."""
    try:
        yield
    except LedgerError:
        if not stop.is_set():
            raise


def _word_of_a_lock(place: Path, stop: threading.Event) -> Callable[[], bool]:
    """Return what says once that the ledger is locked, and has it waited for until `stop`."""
    said = False

    def waits() -> bool:
        nonlocal said
        if not said:
            warn(f"{place}: another program holds the ledger locked. Waiting.")
        said = True
        return not stop.is_set()

    return waits


def _check(folder: Path, place: Path, plan_path: Path | None, look: str | None) -> None:
    """Refuse what would go wrong at once, before anything is made."""
    from stopwise.folder.watcher import refuse_ledger_inside

    refuse_ledger_inside(place, folder)
    check_look(read_plan(plan_path), look)
    if not folder.is_dir():
        msg = f"{folder} isn't a folder. Check the name, and that its disk is connected."
        raise PathMissing(msg)


def _options(*, is_polling: bool, settle_s: float, workers: int, **_: Any) -> Any:
    from stopwise.folder.states import Waits
    from stopwise.folder.watcher import Options

    return Options(waits=Waits(settle_s), is_polling=is_polling, workers=workers)


def _shown(terminal: Terminal | None) -> Shown:
    """Return what prints on a terminal, or JSON where there is to be none."""
    from stopwise.cli.watching import Shown

    if terminal is None:
        return Shown(
            frame=lambda record: say_json(record.to_json()),
            note=warn,
        )
    return Shown(frame=terminal.frame, note=terminal.note)

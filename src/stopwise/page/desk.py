"""What the pages are served from: the watch as the page sees it, and what it has been told."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from stopwise.page.news import News, event
from stopwise.page.views import frame_view, run_point
from stopwise.report.lamp_words import HeldCalls

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from stopwise.ledger import Kept, Ledger
    from stopwise.page.actions import Actions
    from stopwise.page.news import Event
    from stopwise.page.pictures import Pictures
    from stopwise.plan.model import Plan
    from stopwise.report.drawable import Drawable

Dialler = Callable[[], tuple[dict[str, Any], "Drawable | None"]]

RUN_LENGTH = 60
"""Frames that a page holds of the run."""


class Desk:
    """Joins ledger, plan, pictures and news; its methods may be called from any thread.

    Parameters
    ----------
    ledger
        Where the records are.
    plan
        Returns the plan as it stands now.
    pictures
        Encodes and holds pictures.
    actions
        What pages may do.
    may_edit
        Whether they may do it.
    dial
        Works out powers from solos: what `dial --json` prints, and the predicted picture or None.
    """

    def __init__(
        self,
        ledger: Ledger,
        *,
        plan: Callable[[], Plan | None],
        pictures: Pictures,
        actions: Actions,
        may_edit: bool = True,
        dial: Dialler | None = None,
    ) -> None:
        self.ledger = ledger
        self.plan = plan
        self.pictures = pictures
        self.actions = actions
        self.may_edit = may_edit
        self.dial = dial
        self.predicted: bytes | None = None
        self.news = News()
        self._lock = threading.Lock()
        self._held = HeldCalls()
        self._status: dict[str, Any] = {"behind": 0, "backlog": 0, "decoding": [], "said": []}
        for kept in ledger.frames.all(last=RUN_LENGTH):
            self._held.see(kept.record)

    def landed(self, kept: Kept, picture: Callable[[], Drawable] | None) -> None:
        """Tell every page of a frame that was judged and is kept; its picture is made meanwhile."""
        if picture is not None:
            self.pictures.put(kept.frame, kept.record, picture)
        with self._lock:
            self._held.see(kept.record)
        self.news.tell(*self.events_of(kept), self._held_event())

    def status(
        self, *, behind: int, backlog: int, decoding: list[str], said: Sequence[str] = ()
    ) -> None:
        """Tell how far the watcher is and what was said to it, where that has changed."""
        told = {"behind": behind, "backlog": backlog, "decoding": decoding, "said": list(said)}
        with self._lock:
            is_news, self._status = told != self._status, told
        if is_news:
            self.news.tell(event("status", told))

    def plan_changed(self) -> None:
        """Tell that the plan was read again, so that pages ask for it."""
        self.news.tell(event("plan", {}))

    def note(self, words: str) -> None:
        """Tell one line of text."""
        self.news.tell(event("note", {"words": words}))

    def acknowledge(self) -> None:
        """Call a lamp that was out no longer."""
        with self._lock:
            self._held.acknowledge()
        self.news.tell(self._held_event())

    def view(self, kept: Kept) -> dict[str, Any]:
        """Return what the page shows of a frame."""
        record = kept.record
        view = frame_view(kept.frame, record, plan=self.plan())
        return {**view, "run": run_point(kept.frame, record)}

    def run_point(self, kept: Kept) -> dict[str, Any]:
        """Return what the run keeps of a frame."""
        return run_point(kept.frame, kept.record)

    def events_of(self, kept: Kept) -> Iterator[Event]:
        """Yield what is sent of a frame: the record for programs, the view for the page."""
        yield event("frame", kept.row, number=kept.frame)
        yield event("view", self.view(kept))

    def now(self) -> Iterator[Event]:
        """Yield what a page must know that has just come."""
        with self._lock:
            status = dict(self._status)
        yield event("status", status)
        yield self._held_event()

    def _held_event(self) -> Event:
        with self._lock:
            lines = self._held.lines()
        return event("held", {"lines": list(lines) if lines else None})

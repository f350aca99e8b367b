"""The live page: the watch as the pages see it, and what they are told; from any thread."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from stopwise.page.pictures import Pictures, PicturesAgain
from stopwise.page.stream import Stream, event
from stopwise.page.views import frame_view
from stopwise.report.lamp_words import HeldHeadline

if TYPE_CHECKING:
    from pathlib import Path

    from stopwise.ledger import Kept, Ledger
    from stopwise.plan.model import Plan
    from stopwise.report.drawable import Drawable

Dialler = Callable[[], tuple[dict[str, Any], "Drawable | None"]]
"""Works out powers: what `dial --json` prints, with its notes, and the predicted picture."""

RUN_LENGTH = 60
"""Frames that a page holds of the run: a phone 375 pixels wide leaves 3 of them to each."""


@dataclass(frozen=True, slots=True)
class Status:
    """How far the watch is, and what was said to it and still holds.

    Attributes
    ----------
    behind, backlog
        Frames that landed and aren't judged, and those found older than the watch.
    decoding
        Files in hand.
    said
        Look, lamps that are meant to be lit and frames that are awaited, in a few words each.
    """

    behind: int = 0
    backlog: int = 0
    decoding: tuple[str, ...] = ()
    said: tuple[str, ...] = ()


class LivePage:
    """A watch's ledger, folder and plan, shown on pages.

    Parameters
    ----------
    ledger, folder
        Of the watch.
    plan
        Returns the plan as it stands now, each lamp at the power that it was turned to.
    plan_path
        The plan file; None where there is none, and then what needs one is refused.
    pictures
        Makes and holds pictures; None makes those of the ledger's files again when asked.
    dial
        Works out powers; None where there is no way to.
    """

    def __init__(
        self,
        ledger: Ledger,
        folder: Path,
        *,
        plan: Callable[[], Plan | None],
        plan_path: Path | None = None,
        pictures: Pictures | None = None,
        dial: Dialler | None = None,
    ) -> None:
        self.ledger = ledger
        self.folder = folder
        self.plan = plan
        self.plan_path = plan_path
        self.dial = dial
        self.predicted: bytes | None = None
        self.stream = Stream()
        self._again = PicturesAgain(ledger)
        self.pictures = pictures or Pictures(self._again)
        self._plan_read: Plan | None = None
        self._lock = threading.Lock()
        self._held = HeldHeadline()
        self._status = Status()
        for kept in ledger.frames.all(last=RUN_LENGTH):
            self._held.see(kept.record)

    def close(self) -> None:
        """End every stream, and make no more pictures."""
        self.stream.close()
        self.pictures.close()
        self._again.close()

    def landed(self, kept: Kept, picture: Callable[[], Drawable] | None) -> None:
        """Tell every page of a frame that was judged and is kept; its picture is made meanwhile."""
        if picture is not None:
            self.pictures.put(kept, picture)
        with self._lock:
            self._held.see(kept.record)
        self.stream.tell(*self.events_of(kept), self._held_event())

    def look_round(self, status: Status, *, plan_read: Plan | None = None) -> None:
        """Tell where the watch is, and of a plan that was read again; cheap, call it often.

        Parameters
        ----------
        status
            Where the watch is; told where it has changed.
        plan_read
            The plan as its file was read last: the same object until it is read again.
        """
        with self._lock:
            is_news, self._status = status != self._status, status
            before, self._plan_read = self._plan_read, plan_read
        if is_news:
            self.stream.tell(event("status", asdict(status)))
        if before is not None and plan_read is not before:
            self.plan_changed()

    def plan_changed(self) -> None:
        """Tell that the plan was read again, so that pages ask for it."""
        self.stream.tell(event("plan", {}))

    def note(self, words: str) -> None:
        """Tell one line of text."""
        self.stream.tell(event("note", {"words": words}))

    def fixed(self) -> None:
        """Let the headline go of a lamp that was out."""
        with self._lock:
            self._held.fixed()
        self.stream.tell(self._held_event())

    def events_of(self, kept: Kept) -> tuple[bytes, bytes]:
        """Return what is sent of a frame: the record for programs, the view for the page."""
        view = frame_view(kept, self.plan())
        return event("frame", kept.row, number=kept.frame), event("view", view)

    def now(self) -> tuple[bytes, bytes]:
        """Return what a page must know that has just come."""
        return event("status", asdict(self._status)), self._held_event()

    def held_headline(self) -> tuple[str, str] | None:
        """Return the headline of a lamp that was out, which stays; None where none was."""
        with self._lock:
            return self._held.lines()

    def _held_event(self) -> bytes:
        return event("held", {"lines": self.held_headline()})

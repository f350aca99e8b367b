"""Pictures for the page: each is made once, in the background, and the last ones are held."""

from __future__ import annotations

import multiprocessing
import signal
import threading
from collections import OrderedDict, deque
from concurrent.futures import Future
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from stopwise.errors import StopwiseError, WrongUse
from stopwise.folder.workers import end_with_parent
from stopwise.grid import fitted_blocks
from stopwise.page.as_json import json_of
from stopwise.page.overlay import jpeg, overlay
from stopwise.report.contours import MAP_EDGE
from stopwise.report.drawable import drawable_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from multiprocessing.connection import Connection
    from multiprocessing.context import SpawnProcess
    from pathlib import Path
    from typing import Self

    from numpy.typing import NDArray

    from stopwise.ledger import Kept, Ledger
    from stopwise.report.drawable import Drawable

T = TypeVar("T")

SOLOS_S = 120.0
"""Seconds that work over a plan's solos may take: each is decoded that isn't kept."""

LONGEST = 1024
"""Blocks along the longer side of a picture: more than it is wide on a laptop, fewer than on 4K."""

HELD = 120
"""Pictures that are kept in memory, about a quarter of a megabyte each."""

_LIMIT_S = 60.0
"""Seconds that a process may take over one file before it counts as hung; set by judgement."""


@dataclass(frozen=True, eq=False, slots=True)
class DrawnFrame:
    """One picture as the page gets it.

    Attributes
    ----------
    image
        JPEG.
    overlay
        JSON: size, contours, outlines of blown areas, dots over blocked parts.
    luminance
        float16 (h, w), block means of Y, anchor = 1, for comparing two frames.
    """

    image: bytes
    overlay: bytes
    luminance: NDArray[np.float16]


@dataclass(frozen=True, slots=True)
class Showing:
    """A picture that is being made: its JPEG, which is there first, and all of it.

    Either gives None where there is no picture.
    """

    image: Future[bytes | None]
    whole: Future[DrawnFrame | None]


class Pictures:
    """Makes pictures in the background and holds the last of them.

    New ones have a thread to themselves, so that none waits behind an old one that is made again.

    Parameters
    ----------
    load
        Makes a frame's picture again, or returns None where its file is gone; on its own thread.
    held
        How many are kept.
    """

    def __init__(self, load: Callable[[Kept], Drawable | None], *, held: int = HELD) -> None:
        self._load = load
        self._held = held
        self._lock = threading.Lock()
        self._new = NewestFirst("stopwise-pictures")
        self._old = NewestFirst("stopwise-pictures-again")
        self._shown: OrderedDict[int, Showing] = OrderedDict()

    def put(self, kept: Kept, make: Callable[[], Drawable]) -> None:
        """Take a frame's picture, which need only be rendered; returns at once."""
        self._begin(self._new, kept, make)

    def get(self, kept: Kept) -> Showing:
        """Return a frame's picture that is held, or begin to make it again."""
        with self._lock:
            if kept.frame in self._shown:
                self._shown.move_to_end(kept.frame)
                return self._shown[kept.frame]
        return self._begin(self._old, kept, lambda: self._load(kept))

    def close(self) -> None:
        """Begin no more."""
        self._new.close()
        self._old.close()

    def _begin(
        self, thread: NewestFirst, kept: Kept, make: Callable[[], Drawable | None]
    ) -> Showing:
        image: Future[bytes | None] = Future()
        with self._lock:
            whole = thread.submit(lambda: _made(make, kept, image))
            whole.add_done_callback(lambda _: image.cancel())
            self._shown[kept.frame] = Showing(image, whole)
            while len(self._shown) > self._held:
                self._shown.popitem(last=False)
            return self._shown[kept.frame]


def _made(
    make: Callable[[], Drawable | None], kept: Kept, image: Future[bytes | None]
) -> DrawnFrame | None:
    """Make a picture, and give its JPEG out before what is drawn over it is worked out."""
    try:
        picture = make()
        held = None if picture is None else jpeg(picture.image)
    except Exception as error:
        image.set_exception(error)
        raise
    image.set_result(held)
    if picture is None or held is None:
        return None
    drawn = json_of(overlay(picture, kept.record))
    luminance = fitted_blocks(np.asarray(picture.luminance, float), MAP_EDGE).astype(np.float16)
    return DrawnFrame(held, drawn, luminance)


class NewestFirst:
    """One thread of work, newest first: who looks at a screen waits for the newest."""

    def __init__(self, name: str) -> None:
        self._waiting: deque[tuple[Future[Any], Callable[[], Any]]] = deque()
        self._changed = threading.Condition()
        self._is_open = True
        threading.Thread(target=self._work, name=name, daemon=True).start()

    def submit(self, work: Callable[[], T]) -> Future[T]:
        """Ask for work, and return where its result will be."""
        future: Future[T] = Future()
        with self._changed:
            if self._is_open:
                self._waiting.append((future, work))
            else:
                future.cancel()
            self._changed.notify()
        return future

    def close(self) -> None:
        """Cancel what waits; what is being done is finished."""
        with self._changed:
            self._is_open = False
            while self._waiting:
                self._waiting.pop()[0].cancel()
            self._changed.notify()

    def _work(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._waiting or not self._is_open)
                if not self._is_open:
                    return
                future, work = self._waiting.pop()
            if not future.set_running_or_notify_cancel():
                continue
            try:
                future.set_result(work())
            except Exception as error:  # noqa: BLE001 - it belongs to who asked
                future.set_exception(error)


class SpawnedWork:
    """A process of its own for work that decodes: a decoder may crash or hang on a file.

    It is spawned when it is first needed, and anew after it has died or taken too long.

    Parameters
    ----------
    limit_s
        Seconds that one piece of work may take.
    """

    def __init__(self, limit_s: float = _LIMIT_S) -> None:
        self._limit_s = limit_s
        self._one_work, self._beginning = threading.Lock(), threading.Lock()
        self._process: SpawnProcess | None = None
        self._line: Connection | None = None

    def run(self, work: Callable[..., T], *args: object, fails: str) -> T:
        """Return what a function of a module's top level gives; one piece of work at a time.

        Raises
        ------
        WrongUse
            With the work's own words if it fails; with `fails` if its process dies or hangs.
        RuntimeError
            If the work fails otherwise.
        """
        with self._one_work:
            try:
                line = self._begun_line()
                line.send((work, args))
                found = line.recv() if line.poll(self._limit_s) else None
            except (EOFError, OSError):
                found = None
            if found is None:
                self.close()
                raise WrongUse(fails)
        if found.refused is not None:
            raise WrongUse(found.refused)
        if found.failed is not None:
            raise RuntimeError(found.failed)
        value: T = found.value
        return value

    def _begun_line(self) -> Connection:
        """Return the line to the process, begun where there is none."""
        with self._beginning:
            if self._line is None:
                spawn = multiprocessing.get_context("spawn")
                # this end alone stays open here: a process that is ended in the middle of its
                # answer ends the line, where a queue's reader would wait for the rest for ever
                here, there = spawn.Pipe()
                process = spawn.Process(target=_work_for, args=(there,), daemon=True)
                process.start()
                there.close()
                self._process, self._line = process, here
            return self._line

    def __enter__(self) -> Self:
        """Begin; the process ends with the block."""
        return self

    def __exit__(self, *_: object) -> None:
        """End the process."""
        self.close()

    def close(self) -> None:
        """End the process at once, whatever it does: nobody waits for it any more."""
        with self._beginning:
            if self._process is not None:
                self._process.kill()
            self._process = self._line = None


@dataclass(frozen=True, slots=True)
class _WorkDone:
    """What work came to: its value, or words; errors with fields of their own don't travel."""

    value: Any = None
    refused: str | None = None
    failed: str | None = None


def _work_for(line: Connection) -> None:
    """Do what comes along a line; Ctrl-C is the parent's, whose end ends this too."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    end_with_parent()
    while True:
        try:
            work, args = line.recv()
        except EOFError:
            return
        line.send(_done(work, args))


def _done(work: Callable[..., object], args: tuple[object, ...]) -> _WorkDone:
    try:
        return _WorkDone(work(*args))
    except StopwiseError as error:
        return _WorkDone(refused=str(error))
    except Exception as error:  # noqa: BLE001 - it belongs to who asked
        return _WorkDone(failed=repr(error))


class PicturesAgain(SpawnedWork):
    """Makes pictures again from the files that the ledger knows, one at a time.

    Parameters
    ----------
    ledger
        Knows where the files lie.
    make
        Makes one picture from a path and its mid-grey; a function of a module's top level.
    """

    def __init__(
        self, ledger: Ledger, *, make: Callable[[Path, float | None], Drawable] | None = None
    ) -> None:
        super().__init__()
        self._ledger = ledger
        self._make = make or picture_of

    def __call__(self, kept: Kept) -> Drawable | None:
        """Return a frame's picture, or None where its file is gone or gives none."""
        path = self._ledger.frames.file_of(kept.frame)
        record = kept.record
        if path is None or record.verdict == "unreadable":
            return None
        mid_grey = None if record.zones is None else record.zones.mid_grey
        try:
            return self.run(self._make, path, mid_grey, fails="no picture")
        except WrongUse:
            return None


def picture_of(path: Path, mid_grey: float | None) -> Drawable:
    """Return a raw file's picture.

    Raises
    ------
    Unreadable
        If it gives no pixels to be trusted.
    """
    from stopwise.measurement import read
    from stopwise.raw import decode

    return drawable_of(read(decode(path)).finer(LONGEST, mid_grey=mid_grey))

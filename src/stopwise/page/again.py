"""Pictures of frames judged before the page began: made again in a process of their own."""

from __future__ import annotations

import multiprocessing
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from typing import TYPE_CHECKING

from stopwise.errors import StopwiseError
from stopwise.report.drawable import drawable_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from stopwise.ledger import Ledger
    from stopwise.record import Record
    from stopwise.report.drawable import Drawable

LONGEST = 1024
"""Blocks along the longer side of a picture."""

_PATIENCE_S = 60.0


class PicturesAgain:
    """Makes pictures again from the files that the ledger knows, one at a time.

    A decoder may crash or hang on a file; so it runs in a spawned process, which is replaced then.

    Parameters
    ----------
    ledger
        Knows where the files lie.
    make
        Makes one picture from a path and its mid-grey; a function of a module's top level.
    """

    def __init__(
        self,
        ledger: Ledger,
        *,
        make: Callable[[Path, float | None], Drawable | None] | None = None,
    ) -> None:
        self._ledger = ledger
        self._make = make or picture_of
        self._process: ProcessPoolExecutor | None = None

    def __call__(self, number: int, record: Record) -> Drawable | None:
        """Return a frame's picture, or None where its file is gone or gives none."""
        path = self._path(number)
        if path is None or record.verdict == "unreadable":
            return None
        if self._process is None:
            spawn = multiprocessing.get_context("spawn")
            self._process = ProcessPoolExecutor(1, mp_context=spawn)
        mid_grey = record.zones.mid_grey if record.zones else None
        try:
            return self._process.submit(self._make, path, mid_grey).result(_PATIENCE_S)
        except (BrokenProcessPool, TimeoutError):
            self.close()
            return None

    def close(self) -> None:
        """End the process."""
        if self._process is not None:
            self._process.shutdown(wait=False, cancel_futures=True)
            self._process = None

    def _path(self, number: int) -> Path | None:
        places = (Path(folder, path) for folder, path in self._ledger.frames.places_of(number))
        return next((place for place in places if place.is_file()), None)


def picture_of(path: Path, mid_grey: float | None) -> Drawable | None:
    """Return a raw file's picture, or None where it gives no pixels to be trusted."""
    from stopwise.measurement import read
    from stopwise.raw import decode

    try:
        frame = decode(path)
    except StopwiseError:
        return None
    return drawable_of(read(frame).finer(LONGEST, mid_grey=mid_grey))

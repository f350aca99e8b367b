"""Run the fuzz: files of one seed given one way, batch by batch, the sums kept in a folder."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

from soak.corpus import Corpus, Spoiled
from soak.tally import Holding, Tally
from soak.through_check import ThroughCheck
from soak.through_watch import ThroughWatch

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soak.tally import Way


def run(
    state: Path,
    *,
    way: Way,
    seed: int,
    files: int,
    batch: int = 400,
    at_most_s: float = float("inf"),
    shrink: int = 6,
) -> Tally:
    """Go on with the files of a seed until so many are done in all, or the time is up.

    Parameters
    ----------
    state
        A folder that keeps the sums, and files that broke a promise.
    way, seed
        How files are given, and which.
    files, at_most_s
        How many in all, and for how long now.
    batch
        After how many files the sums are kept.
    shrink
        Cells of a sample frame that become one, along each side.
    """
    state.mkdir(parents=True, exist_ok=True)
    tally, end = Tally.load(state, way, seed), time.monotonic() + at_most_s
    through = {"watch": ThroughWatch, "check": ThroughCheck}[way]
    with tempfile.TemporaryDirectory() as name:
        corpus = Corpus(Path(name), seed=seed, shrink=shrink)
        holding = Holding(state, tally, corpus)
        with through(Path(name), corpus.plan_path, holding) as given:
            given.give(_parents(corpus))
            while tally.done < files and time.monotonic() < end:
                begun = time.monotonic()
                numbers = range(tally.done, min(tally.done + batch, files))
                given.give(map(corpus.made, numbers))
                tally.done = numbers.stop
                tally.seconds += time.monotonic() - begun
                tally.save(state)
    tally.save(state)
    return tally


def _parents(corpus: Corpus) -> Iterator[Spoiled]:
    """Yield the sample frames as they are, so that their own verdicts are known."""
    for number, (name, content) in enumerate(corpus.samples.items(), start=1):
        yield Spoiled(-number, f"p{number}-{name}", name, "", "parent", content)

"""What came of spoiled files: sums, kept between runs, and every promise that was broken."""

from __future__ import annotations

import json
import re
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from stopwise.errors import StopwiseError
from stopwise.raw import decode

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from soak.corpus import Corpus, Spoiled

Way = Literal["watch", "check"]

MOST_DELAY_S, MOST_MB = 10.0, 1536.0
"""What a good frame may wait for its verdict among bad ones; and what a worker, or `check`, may
hold of memory at its highest, in units of 1024 squared bytes."""

_VERDICTS = {"on plan", "off plan", "can't tell", "measured", "unreadable"}
_OWN_ERRORS = re.compile(r"\w(Error|Exception|Warning)\b|crashed|took too long|out of memory")
"""Words of a worker that failed: none of them is an answer on a file."""

_UNSAFE = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")
"""Controls but line end and tab, and marks of direction: none reaches a terminal."""


@dataclass
class Tally:
    """Sums over all files of one seed that were given one way.

    Attributes
    ----------
    way, seed
        How files were given, and which.
    done
        How many; the next has this number.
    seconds
        Spent on them.
    verdicts
        For each way of spoiling, how many files got each verdict.
    reasons
        How many files were unreadable for which reason, its details left out.
    longest_s
        Longest time to a verdict: from landing in a watch, from the record before in `check`.
    longest_whole_s, its_processor_s
        The same of whole frames that landed among the others; and what of a processor the watch and
        its workers had in that time, which tells a machine that is busy with other things.
    megabytes
        Most that the watch or `check` held, and most that a worker did.
    replaced
        Workers that a watch had to begin anew.
    wrong, by_header
        Files called on plan though their parent wasn't: with other pixels; with the parent's very
        pixels, by another header.
    faults
        Promises that were broken: the file's number, -1 for none, and what happened.
    """

    way: Way
    seed: int
    done: int = 0
    seconds: float = 0.0
    verdicts: dict[str, dict[str, int]] = field(default_factory=dict)
    reasons: dict[str, int] = field(default_factory=dict)
    longest_s: float = 0.0
    longest_whole_s: float = 0.0
    its_processor_s: float = 0.0
    megabytes: tuple[float, float] = (0.0, 0.0)
    replaced: int = 0
    wrong: list[int] = field(default_factory=list)
    by_header: list[int] = field(default_factory=list)
    faults: list[tuple[int, str]] = field(default_factory=list)

    @classmethod
    def load(cls, state: Path, way: Way, seed: int) -> Tally:
        """Return what a folder keeps of a way and seed, nothing done where it keeps none."""
        path = state / f"{way}-{seed}.json"
        if not path.exists():
            return cls(way, seed)
        return cls(**json.loads(path.read_text(encoding="utf-8")))

    def save(self, state: Path) -> None:
        """Write it into a folder, in the place of what stood there."""
        path = state / f"{self.way}-{self.seed}.json"
        part = path.with_suffix(".part")
        part.write_text(json.dumps(asdict(self), indent=1), encoding="utf-8")
        part.replace(path)

    def weigh(self, megabytes: tuple[float, float]) -> None:
        """Take in what the watch or `check`, and a worker, have held at most."""
        self.megabytes = (
            max(self.megabytes[0], megabytes[0]),
            max(self.megabytes[1], megabytes[1]),
        )


class Holding:
    """Holds each answer against what is promised, and counts it.

    Parameters
    ----------
    state
        A folder in which files that broke a promise are kept.
    tally
        Is added to.
    corpus
        Where the files came from.
    """

    def __init__(self, state: Path, tally: Tally, corpus: Corpus) -> None:
        self._state, self._corpus = state, corpus
        self.tally = tally
        self.parents: dict[str, str] = {}

    def fault(self, spoiled: Spoiled | None, what: str) -> None:
        """Note a broken promise, and keep the file."""
        number = -1 if spoiled is None else spoiled.number
        self.tally.faults.append((number, what[-2000:]))
        if spoiled is not None:
            self._keep(spoiled)

    def said(self, text: str) -> None:
        """Look through what a program wrote for people."""
        if "Traceback" in text or "Warning:" in text:
            self.fault(None, text)
        for line in text.split("\n"):
            if _UNSAFE.search(line):
                self.fault(None, f"it said {line!r}")

    def weighed(self, own_mb: float, worker_mb: float) -> None:
        """Take in what the watch or `check`, and a worker, have held at most."""
        self.tally.weigh((own_mb, worker_mb))
        if max(own_mb, worker_mb) > MOST_MB:
            self.fault(None, f"{own_mb:.0f} MB held, {worker_mb:.0f} by a worker")

    def timed(
        self,
        spoiled: Spoiled | None,
        took_s: float,
        had_s: float,
        *,
        behind: Spoiled | None = None,
    ) -> None:
        """Take in how long a file waited for its verdict, None where others waited `behind` one.

        Meanwhile whoever judges it had `had_s` of a processor. Parents wait for the start too, and
        don't count.
        """
        if spoiled is not None and spoiled.how == "parent":
            return
        self.tally.longest_s = max(self.tally.longest_s, took_s)
        if spoiled is None or spoiled.is_whole:
            if took_s > self.tally.longest_whole_s:
                self.tally.longest_whole_s, self.tally.its_processor_s = took_s, had_s
            if took_s > MOST_DELAY_S:
                waited = f"a verdict after {took_s:.1f} s, {had_s:.1f} of a processor"
                self.fault(spoiled or behind, waited)

    def take(self, spoiled: Spoiled, record: dict[str, Any], *, has_plan: bool = True) -> None:
        """Take in a file's record."""
        if spoiled.how == "parent":
            self.parents[spoiled.parent] = record["verdict"]
            return
        verdict, tally = record["verdict"], self.tally
        row = tally.verdicts.setdefault(spoiled.how, {})
        row[verdict] = row.get(verdict, 0) + 1
        if verdict not in _VERDICTS:
            self.fault(spoiled, f"the verdict {verdict!r}")
        if verdict == "unreadable":
            reason = record["reason"].partition(":")[0]
            tally.reasons[reason] = tally.reasons.get(reason, 0) + 1
            if _OWN_ERRORS.search(record["reason"]):
                self.fault(spoiled, record["reason"])
        expected = self.parents.get(spoiled.parent)
        if has_plan and spoiled.is_whole and expected != verdict:
            self.fault(spoiled, f"a whole frame was {verdict}, its like {expected}")
        if verdict == "on plan" and expected != "on plan":
            has_parents = self._has_parents_pixels(spoiled)
            (tally.by_header if has_parents else tally.wrong).append(spoiled.number)
            self._keep(spoiled)

    def _keep(self, spoiled: Spoiled) -> None:
        kept = self._state / "kept"
        kept.mkdir(exist_ok=True)
        suffix = Path(spoiled.parent).suffix
        name = f"{self.tally.way}-{self.tally.seed}-{spoiled.number}-{spoiled.how}{suffix}"
        (kept / name).write_bytes(spoiled.content)

    def _has_parents_pixels(self, spoiled: Spoiled) -> bool:
        """Tell whether a file gives the very photosites of its parent, or of the other file."""
        mosaic = self._mosaic_of(spoiled.content)
        contents = map(self._corpus.parents.get, (spoiled.parent, spoiled.donor))
        known = [self._mosaic_of(content) for content in contents if content is not None]
        return any(one is not None and np.array_equal(mosaic, one) for one in known)

    def _mosaic_of(self, content: bytes) -> NDArray[np.uint16] | None:
        path = self._state / "asked.dng"
        path.write_bytes(content)
        try:
            return decode(path).mosaic
        except StopwiseError:
            return None
        finally:
            path.unlink()

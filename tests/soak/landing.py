"""Land raw files in bursts while the real watch is killed in every state of a frame, and count.

Frames are landed in rounds, each with a folder and a ledger of its own, so that a long run can be
cut off and taken up again. Every round lands the same pictures with other noise in the margin: what
is judged is the same, what is hashed isn't.
"""

from __future__ import annotations

import hashlib
import sqlite3
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Any

from lightmodel.dng import DngSpec, write_dng
from soak.killed_stopwise import STATES
from stopwise.ledger import Ledger
from stopwise.pipeline import Brief, assess_file
from stopwise.pipeline.plan_frames import PlanFrames
from stopwise.plan import load_plan
from support.commanding import WatchCommand
from support.made_raws import BLACK, exposed, light
from support.watching import WAYS, write_in_pieces

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from numpy.typing import NDArray

SCRIPT = Path(__file__).with_name("killed_stopwise.py")
SPEC = DngSpec(compression="none", bits=16)
SHAPE = (48, 64)
MARGIN = 8 * SHAPE[1]
"""Photosites of the last rows, which no patch covers: there each frame differs."""

BOX = [0.3, 0.3, 0.6, 0.6]
GAINS = (1.0, 1.02, 0.98, 1.6, 1.0, 0.5)
"""Light of the pictures against the plan's: on plan, or off it by more than a third of a stop."""

CUT_EVERY = 37
"""One in so many files is cut short, and is held until it has rested."""

_STILL_S = 1800.0
_LONGEST_PAUSE_S = 0.1
_PIECE_S = 0.002
"""Seconds between pieces of a file, about as long as the watch takes to look."""

_WAYS = (partial(write_in_pieces, pause_s=_PIECE_S), *WAYS[1:])

_MOST_AHEAD = 60
"""Files that may lie in the folder untold: more would be a flood, which a watch works off apart."""


@dataclass
class Outcome:
    """How one round ended.

    Attributes
    ----------
    landed
        Name and content hash of each file, in the order in which they landed.
    kept
        Name, content hash and verdict of each record, in the ledger's landing order.
    told
        Every file that was printed, over all lives of the watch.
    killed_in
        The state in which each life ended, but for the last, which is asked to end.
    is_sound
        Whether SQLite finds the ledger whole.
    is_untouched
        Whether every file still holds the bytes that landed, and nothing else lies there.
    megabytes
        What the watch and its heaviest worker held as its last life had kept each tenth of all
        files, and at the end.
    """

    landed: list[tuple[str, str]] = field(default_factory=list)
    kept: list[tuple[str, str, str]] = field(default_factory=list)
    told: list[str] = field(default_factory=list)
    killed_in: list[str] = field(default_factory=list)
    is_sound: bool = False
    is_untouched: bool = False
    megabytes: list[tuple[float, float]] = field(default_factory=list)

    @property
    def verdicts(self) -> dict[str, str]:
        """The verdict on each file."""
        return {name: verdict for name, _, verdict in self.kept}

    @property
    def lost(self) -> list[str]:
        """Files that landed and have no record."""
        there = {digest for _, digest, _ in self.kept}
        return [name for name, digest in self.landed if digest not in there]

    @property
    def doubled(self) -> list[str]:
        """Files that have two records, or were told twice."""
        counts = (Counter(name for name, _, _ in self.kept), Counter(self.told))
        return sorted({name for count in counts for name, times in count.items() if times > 1})

    @property
    def is_in_landing_order(self) -> bool:
        """Whether the ledger gives the records in the order in which the files landed."""
        return [name for name, _, _ in self.kept] == [name for name, _ in self.landed]


class Pictures:
    """The pictures that land, made once, and the plan that they are held to."""

    def __init__(self, base: Path) -> None:
        self.plan = base / "plan.toml"
        first = base / "P0.dng"
        self._wholes = [_made(first, gain) for gain in reversed(GAINS)][::-1]
        photosites = _levels(GAINS[0]).tobytes()
        self._margin = self._wholes[0].index(photosites) + len(photosites) - 2 * MARGIN
        self.plan.write_text(_plan(_zone_of(first)), encoding="utf-8")

    def frame(self, number: int, turn: int) -> bytes:
        """Return a frame's content; `turn` is the round's number."""
        whole = bytearray(self._wholes[number % len(GAINS)])
        for place in range(3):
            digit = (number + 100_000 * turn) >> 12 * place & 0xFFF
            end = self._margin + 200 * place + 2
            whole[end - 2 : end] = (BLACK + 64 + digit).to_bytes(2, "little")
        return bytes(whole[:end] if number % CUT_EVERY == CUT_EVERY - 1 else whole)


def _made(path: Path, gain: float) -> bytes:
    write_dng(path, _levels(gain), spec=SPEC)
    return path.read_bytes()


def _levels(gain: float) -> NDArray[np.uint16]:
    return exposed(gain * light(SHAPE))


def _zone_of(path: Path) -> float:
    plan = path.with_name("measuring.toml")
    plan.write_text(_plan(5.0), encoding="utf-8")
    zone = assess_file(path, Brief(plan=load_plan(plan)), PlanFrames()).record.patches["card"].zone
    assert zone is not None
    return zone


def _plan(zone: float) -> str:
    return f"""schema = 1
[[patch]]
name = "card"
box = {BOX}
zone = {zone:.3f}
within = 0.33
must_see = true
"""


class Landing:
    """Lands files in a thread: in bursts, each by the next of four ways of writing.

    Parameters
    ----------
    folder
        Where files land.
    content
        Gives each file's content.
    count
        How many.
    seed
        Of all chance.
    """

    def __init__(
        self, folder: Path, content: Callable[[int], bytes], *, count: int, seed: int
    ) -> None:
        self._folder, self._content, self._count = folder, content, count
        self._chance = Random(seed)
        self.landed: list[tuple[str, str]] = []
        self.told = 0
        self._thread = threading.Thread(target=self._land_all, daemon=True)

    def start(self) -> None:
        """Begin to land files."""
        self._thread.start()

    @property
    def is_landing(self) -> bool:
        """Whether files are still to come."""
        return self._thread.is_alive()

    def wait(self) -> None:
        """Wait until all have landed."""
        self._thread.join()

    def _land_all(self) -> None:
        while len(self.landed) < self._count:
            for _ in range(min(self._chance.randrange(1, 40), self._count - len(self.landed))):
                while len(self.landed) > self.told + _MOST_AHEAD:
                    time.sleep(0.02)
                self._land_one()
            time.sleep(self._chance.random() * _LONGEST_PAUSE_S)

    def _land_one(self) -> None:
        number = len(self.landed)
        name, content = f"F{number:05d}.dng", self._content(number)
        _WAYS[number % len(_WAYS)](self._folder / name, content)
        self.landed.append((name, hashlib.sha256(content).hexdigest()))


def one_round(
    base: Path, pictures: Pictures, *, count: int, states: list[str], turn: int, seed: int
) -> Outcome:
    """Land `count` files while the watch is killed once in each of `states`, then let it end."""
    folder, place, outcome = base / "shoot", base / "l.sqlite", Outcome()
    folder.mkdir()
    chance = Random(f"{seed} {turn}")
    landing = Landing(
        folder, lambda number: pictures.frame(number, turn), count=count, seed=chance.randrange(99)
    )
    landing.start()
    most = max(2 * count // (3 * len(states)), 2) if states else 0
    for state in states:
        times = chance.randrange(1, most) if state != "beginning" else 1
        killed = _Life(folder, place, pictures.plan, kill=f"{state} {times}")
        killed.until_it_ends(landing, outcome)
        outcome.killed_in.append(state)
    last = _Life(folder, place, pictures.plan)
    last.until_all_is_kept(landing, outcome, count)
    outcome.landed = landing.landed
    _read_ledger(outcome, place)
    outcome.is_untouched = {path.name for path in folder.iterdir()} == {
        name for name, _ in landing.landed
    } and all(
        hashlib.sha256((folder / name).read_bytes()).hexdigest() == digest
        for name, digest in landing.landed
    )
    return outcome


class _Life:
    """One life of the watch, from its start to its end."""

    def __init__(self, folder: Path, place: Path, plan: Path, *, kill: str = "") -> None:
        self._place = place
        self._watch = WatchCommand(
            folder,
            place,
            options=("--plan", str(plan), "--settle", "0.5"),
            workers=2,
            script=SCRIPT,
            environment={"STOPWISE_TEST_KILL": kill},
        )

    def until_it_ends(self, landing: Landing, outcome: Outcome) -> None:
        """Have it work until it kills itself, or nothing is left to land and it is killed."""
        before, still_since = landing.told, time.monotonic()
        with self._watch as watch:
            while watch.is_running:
                now = before + len(watch.records)
                if now != landing.told:
                    landing.told, still_since = now, time.monotonic()
                if not landing.is_landing and time.monotonic() > still_since + 5.0:
                    watch.process.kill()
                assert time.monotonic() < still_since + _STILL_S, watch.said
                time.sleep(0.005)
        assert watch.process.returncode == -9, watch.said
        outcome.told += watch.files

    def until_all_is_kept(self, landing: Landing, outcome: Outcome, count: int) -> None:
        """Have it work until every file has its row, and a second more; then ask it to end."""
        rows, still_since = -1, time.monotonic()
        with self._watch as watch:
            watch.wait_for("watching ", limit_s=_STILL_S)
            with Ledger(self._place) as ledger:
                while (now := ledger.frames.count()) < count:
                    landing.told = now
                    if now >= count * len(outcome.megabytes) // 10:
                        outcome.megabytes.append(watch.megabytes())
                    if now != rows:
                        rows, still_since = now, time.monotonic()
                    assert watch.is_running, watch.said
                    assert time.monotonic() < still_since + _STILL_S, f"{now}: {watch.said}"
                    time.sleep(0.05)
            time.sleep(1.0)  # for what would come twice
            outcome.megabytes.append(watch.megabytes())
            assert watch.stop() == 0, watch.said
        landing.wait()
        outcome.told += watch.files


def _read_ledger(outcome: Outcome, place: Path) -> None:
    with Ledger(place, is_read_only=True) as ledger:
        outcome.kept = [
            (kept.record.file, kept.sha256, kept.record.verdict) for kept in ledger.frames.all()
        ]
    connection = sqlite3.connect(place)
    outcome.is_sound = connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()


def states_from(first: int, count: int) -> list[str]:
    """Return so many states, round and round through all of them, so that kills fall evenly."""
    names = list(STATES)
    return [names[(first + place) % len(names)] for place in range(count)]


def counted(outcome: Outcome, undisturbed: dict[str, str]) -> dict[str, Any]:
    """Return a round's figures, to be added to those of others."""
    verdicts = outcome.verdicts
    return {
        "landed": len(outcome.landed),
        "kept": len(outcome.kept),
        "lost": len(outcome.lost),
        "doubled": len(outcome.doubled),
        "out of order": int(not outcome.is_in_landing_order),
        "other verdicts": sum(
            verdict != undisturbed.get(name) for name, verdict in verdicts.items()
        ),
        "ledgers not sound": int(not outcome.is_sound),
        "folders changed": int(not outcome.is_untouched),
        "kills": dict(Counter(outcome.killed_in)),
        "verdicts": dict(Counter(verdicts.values())),
        "megabytes": [[round(held, 1) for held in both] for both in outcome.megabytes],
    }

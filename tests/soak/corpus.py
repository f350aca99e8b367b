"""Spoiled files by number: a seed and a number make the same bytes and name on every machine."""

from __future__ import annotations

import hashlib
import stat
from dataclasses import dataclass
from random import Random
from typing import TYPE_CHECKING

from soak.mutating import PAGE, spoil
from soak.parents import made_containers, make_parents, real_containers

if TYPE_CHECKING:
    from pathlib import Path

_WHOLE_EVERY, _ODD_NAME_EVERY = 32, 16
_SAMPLES_SHARE = 0.1
"""Of files whose parent is a sample frame, which takes ten times as long to judge as a refusal."""

_ODD_NAMES = ("\x1b[31mred", "\u202egnd", "two\nlines", "\udcff\udcfe", " ", "'$(true)'", "%s{0}")


@dataclass(frozen=True, slots=True)
class Spoiled:
    """One file to land: its bytes, whose they were, and what was done to them first."""

    number: int
    name: str
    parent: str
    donor: str
    how: str
    content: bytes

    @property
    def is_whole(self) -> bool:
        """Whether it is a parent with nothing but bytes behind it, to be judged as that is."""
        return self.how == "whole"


class Corpus:
    """Spoiled files of one seed, made when they are asked for.

    Parameters
    ----------
    folder
        Where the plan and its own frames are written.
    seed
        Of all chance.
    shrink
        Cells of a sample frame that become one, along each side.

    Attributes
    ----------
    plan_path, samples, parents
        The plan; the sample frames, which it judges; and all whole files, by their names.
    """

    def __init__(self, folder: Path, *, seed: int, shrink: int) -> None:
        self._seed = seed
        made = make_parents(folder, shrink=shrink)
        self.plan_path = made.plan_path
        self.samples = {path.name: path.read_bytes() for path in made.files}
        self._others = made_containers(folder) | real_containers()
        self.parents = self.samples | self._others

    def made(self, number: int) -> Spoiled:
        """Return a file by its number."""
        chance = Random(f"{self._seed}/{number}")
        among = self.samples if chance.random() < _SAMPLES_SHARE else self._others
        if number % _WHOLE_EVERY == 0:
            parent = chance.choice(sorted(self.samples))
            content, how, donor = (
                self.samples[parent] + b"%d/%d" % (self._seed, number),
                "whole",
                "",
            )
        else:
            parent, donor = chance.choice(sorted(among)), chance.choice(sorted(self.parents))
            content, how = spoil(among[parent], self.parents[donor], chance)
        odd = chance.choice(_ODD_NAMES) if number % _ODD_NAME_EVERY == 1 else ""
        return Spoiled(number, f"m{number:07d}{odd}-{parent}", parent, donor, how, content)


State = tuple[str, int, int]
"""SHA-256, time of change in nanoseconds, mode."""


def write(folder: Path, spoiled: Spoiled) -> State | None:
    """Write a file under a hidden name, rename it into place, and return its state.

    Every second one with its pages of zeros left out, as holes where the system makes them.
    """
    part = folder / f".{spoiled.number}.part"
    with part.open("wb") as stream:
        if spoiled.number % 2:
            stream.truncate(len(spoiled.content))
            for start in range(0, len(spoiled.content), PAGE):
                page = spoiled.content[start : start + PAGE]
                if any(page):
                    stream.seek(start)
                    stream.write(page)
        else:
            stream.write(spoiled.content)
    path = folder / spoiled.name
    part.replace(path)
    return state_of(path)


def state_of(path: Path) -> State | None:
    """Return what a file is now; None where it is gone."""
    try:
        status = path.lstat()
        return (
            hashlib.sha256(path.read_bytes()).hexdigest(),
            status.st_mtime_ns,
            stat.S_IMODE(status.st_mode),
        )
    except OSError:
        return None

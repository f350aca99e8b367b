"""One folder that holds all of a shoot: each file written, read again and held to a hash."""

from __future__ import annotations

import shutil
import sys
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from stopwise.errors import PathMissing, WrongUse, refusal
from stopwise.ledger import content_hash
from stopwise.plan.loading import read_plain
from stopwise.whole_file import beside

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from pathlib import Path

    Makes = Callable[[Path], object]

README, SUMS = "README.txt", "SHA256SUMS"
"""What is written first, and last: a folder with the one and without the other was interrupted."""

_MARK = "Handed over by stopwise."
"""First line of the readme: it tells a folder of ours from any other."""

_hash_of = partial(content_hash, most=sys.maxsize)
"""Whole, since a ledger may be larger than any frame."""

_MOST_SUMS = 1 << 26
"""Bytes of the list of sums: 64 MB, room for more frames than any shoot has."""


@dataclass(frozen=True, slots=True)
class HandedFile:
    """A file of the folder.

    Attributes
    ----------
    name
        Its path in the folder, with ``/``.
    sha256
        Of its bytes as they were read back.
    was_there
        Whether it lay there whole from an earlier go.
    """

    name: str
    sha256: str
    was_there: bool = False


class Bundle:
    """A folder that a shoot is handed over in.

    Parameters
    ----------
    folder
        Where; made if it isn't there. It is empty, or holds an earlier hand-over, whole or not.
    away_from
        Folders that it may not lie in, or be: the watched one, the plan's.

    Raises
    ------
    WrongUse
        If it holds anything else, lies in one of those folders, or can't be made.
    """

    def __init__(self, folder: Path, *, away_from: Sequence[Path]) -> None:
        self.folder = folder
        whole = folder.resolve()
        for other in away_from:
            if whole.is_relative_to(other.resolve()):
                msg = f"{folder} lies in {other}, among the shoot's own files. Name another place."
                raise WrongUse(msg)
        try:
            folder.mkdir(parents=True, exist_ok=True)
            there = sorted(path.name for path in folder.iterdir())
        except OSError as error:
            msg = f"{folder} can't be made: {refusal(error)}. Name a folder that can be written."
            raise WrongUse(msg) from None
        if there and not self._is_ours():
            msg = f"{folder} holds {there[0]}, and nothing is written over. Name an empty folder."
            raise WrongUse(msg)
        self.was_interrupted = bool(there) and SUMS not in there

    def _is_ours(self) -> bool:
        try:
            head = read_plain(self.folder / README, len(_MARK) + 1)
        except OSError:
            return False
        return head is not None and head.rstrip() == _MARK.encode()

    def write(
        self,
        told: str,
        *,
        copied: Mapping[str, Path],
        made: Mapping[str, Makes],
    ) -> Iterator[HandedFile]:
        """Write everything, and yield each file once it was read back.

        Parameters
        ----------
        told
            What stands in the readme.
        copied
            Files that are copied, by their names in the folder; one that lies there whole stays.
        made
            What writes each other file to the path that it is given, by its name in the folder.

        Raises
        ------
        WrongUse
            If a file can't be read or written, or was changed while it was copied: what was written
            stays, and the same command goes on from there.
        """
        try:
            yield from self._written(f"{_MARK}\n\n{told}\n".encode(), copied, made)
        except OSError as error:
            msg = (
                f"{error.filename or self.folder}: {refusal(error)}. See to it, and call it again."
            )
            raise WrongUse(msg) from None

    def _written(
        self, readme: bytes, copied: Mapping[str, Path], made: Mapping[str, Makes]
    ) -> Iterator[HandedFile]:
        (self.folder / SUMS).unlink(missing_ok=True)
        sums: dict[str, str] = {}
        yield self._made(README, lambda path: path.write_bytes(readme), sums)
        for name, source in copied.items():
            yield self._copied(name, source, sums)
        for name, make in made.items():
            yield self._made(name, make, sums)
        lines = "".join(f"{sha256}  {name}\n" for name, sha256 in sorted(sums.items()))
        self._made(SUMS, lambda path: path.write_bytes(lines.encode()), {})

    def _made(self, name: str, make: Makes, sums: dict[str, str]) -> HandedFile:
        with beside(self.folder / name) as spare:
            make(spare)
            wanted = _hash_of(str(spare))
        return self._read_back(name, wanted, sums)

    def _copied(self, name: str, source: Path, sums: dict[str, str]) -> HandedFile:
        target = self.folder / name
        wanted = _hash_of(str(source.resolve()))
        was_there = target.is_file() and _hash_of(str(target)) == wanted
        if not was_there:
            target.parent.mkdir(parents=True, exist_ok=True)
            with beside(target) as spare:
                shutil.copyfile(source, spare)
        return self._read_back(name, wanted, sums, was_there=was_there)

    def _read_back(
        self, name: str, wanted: str, sums: dict[str, str], *, was_there: bool = False
    ) -> HandedFile:
        sums[name] = _hash_of(str(self.folder / name))
        if sums[name] != wanted:
            msg = f"{self.folder / name} isn't what was written: its disk fails. Use another."
            raise WrongUse(msg)
        return HandedFile(name, wanted, was_there)


def faults_in(folder: Path) -> list[str]:
    """Return what is wrong with a folder that was handed over, a sentence each; empty if nothing.

    Raises
    ------
    PathMissing
        If it is no such folder, or wasn't written to its end.
    """
    sums = folder / SUMS
    try:
        said = (read_plain(sums, _MOST_SUMS) or b"no list").decode()
        wanted = {
            name: sha256 for sha256, name in (one.split("  ", 1) for one in said.splitlines())
        }
    except (OSError, ValueError) as error:
        msg = f"{folder} is no whole hand-over: its {SUMS} can't be read. Write it once more."
        raise PathMissing(msg) from error
    return [words for name, sha256 in wanted.items() if (words := _fault(folder, name, sha256))]


def _fault(folder: Path, name: str, sha256: str) -> str:
    try:
        found = _hash_of(str(folder / name))
    except OSError as error:
        return f"{name}: {refusal(error)}."
    return "" if found == sha256 else f"{name} was changed since it was handed over."

"""Decode by four threads that take turns each microsecond: `python tests/bench/bench_threads.py`.

Each of 20 000 frames, of eleven kinds and seeds, is held against what one thread alone decodes of
its file: every photosite, level, matrix, setting. None may be refused and none differ.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "sample_frames"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from lightmodel.dng import write_dng
from soak.parents import real_containers
from stopwise.errors import Unreadable
from stopwise.raw import declared_end, decode
from support.made_raws import KINDS, levels_for

if TYPE_CHECKING:
    from stopwise.frame import Frame

THREADS, SWITCH_S = 4, 1e-6


class Decoded(NamedTuple):
    """How many decodes were refused, and how many gave another frame or another length."""

    refused: list[str]
    different: list[str]


def write_files(folder: Path) -> list[Path]:
    """Write a small file of each kind, and the first rows of the real lossy-compressed one."""
    paths = []
    for number, (kind, spec) in enumerate(KINDS.items()):
        path = folder / f"{kind}.dng"
        write_dng(path, levels_for(kind, (60, 86 + 2 * number), seed=number), spec=spec)
        paths.append(path)
    for name, content in real_containers().items():
        if "lossy" in name:
            path = folder / name
            path.write_bytes(content)
            paths.append(path)
    return paths


def decode_by_threads(paths: list[Path], *, decodes: int, threads: int = THREADS) -> Decoded:
    """Decode files in turn by several threads, and hold each frame against one thread's."""
    alone = {path: (declared_end(path), decode(path)) for path in paths}
    found = Decoded([], [])

    def one(number: int) -> None:
        path = paths[number % len(paths)]
        try:
            end, frame = declared_end(path), decode(path)
        except Unreadable as error:
            found.refused.append(str(error))
            return
        others = differing(frame, alone[path][1])
        if others or end != alone[path][0]:
            found.different.append(f"{path.name}: {', '.join(others) or end}")

    before = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_S)
    try:
        with ThreadPoolExecutor(threads) as pool:
            list(pool.map(one, range(decodes)))
    finally:
        sys.setswitchinterval(before)
    return found


def differing(one: Frame, other: Frame) -> list[str]:
    """Return the names of the fields in which two frames differ."""
    return [
        field.name
        for field in fields(one)
        if not _are_equal(getattr(one, field.name), getattr(other, field.name))
    ]


def _are_equal(one: object, other: object) -> bool:
    if isinstance(one, np.ndarray) and isinstance(other, np.ndarray):
        return np.array_equal(one, other)
    if hasattr(one, "colour") and hasattr(other, "colour"):  # masked photosites
        return _are_equal(one.levels, other.levels) and _are_equal(one.colour, other.colour)  # type: ignore[attr-defined]
    return one == other


def main() -> int:
    """Run with what the command line says."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--decodes", type=int, default=20_000)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        paths, begun = write_files(Path(folder)), time.perf_counter()
        found = decode_by_threads(paths, decodes=chosen.decodes)
    took_s = time.perf_counter() - begun
    print(f"{chosen.decodes} decodes of {len(paths)} files by {THREADS} threads in {took_s:.0f} s:")
    print(f"{len(found.refused)} refused, {len(found.different)} different")
    for said in (*found.refused[:10], *found.different[:10]):
        print("  ", said)
    return 1 if found.refused or found.different else 0


if __name__ == "__main__":
    sys.exit(main())

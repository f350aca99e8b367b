"""An archive measured: against two bare decodes side by side, and whether rate and memory hold.

`python tests/bench/bench_audit.py [--large 24] [--small 10000]` writes `--large` lossless frames of
24 megapixels and `--small` of 60 by 90 photosites, no two alike, and has `stopwise audit` measure
each lot. Printed: frames a second of the large lot over those of two processes that only decode
(open, unpack, copy), each taken twice, turn about; and of the small lot what a frame takes of the
processors, all processes summed, and the rate by the clock, in its last tenth over its second (the
first waits for the workers to begin), with the memory of the process that keeps the ledger.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path
from typing import NamedTuple

import numpy as np
import rawpy

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "sample_frames"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from lightmodel import dngfile
from lightmodel.dng import write_dng
from lightmodel.frames import RECIPES, Darkroom, enlarged, light_on_sensor
from lightmodel.sensor import Sensor
from support.made_raws import KINDS, levels_for

SHAPE = (4000, 6000)
WORKERS = 2
_LOOK_S = 0.5


def large_frames(folder: Path, count: int) -> list[Path]:
    """Write lossless frames of 24 megapixels that differ by their noise."""
    sensor, darkroom = Sensor(), Darkroom()
    recipe = next(one for one in RECIPES if one.name == "F0011")
    light = light_on_sensor(recipe, darkroom.fields(recipe))
    due = sensor.signals(enlarged(light, SHAPE))
    paths = []
    for number in range(count):
        mosaic, _ = sensor.expose(due, np.random.default_rng(number))
        paths.append(folder / f"L{number:04d}.dng")
        dngfile.write(paths[-1], mosaic, replace(recipe), sensor)
    return paths


def small_frames(folder: Path, count: int) -> None:
    """Write small frames of one kind, a thousand to a folder as cameras do."""
    kind = next(iter(KINDS))
    for number in range(count):
        place = folder / f"{number // 1000:03d}"
        place.mkdir(exist_ok=True)
        levels = levels_for(kind, (60, 90), seed=number)
        write_dng(place / f"S{number:06d}.dng", levels, spec=KINDS[kind])


def bare(path: Path) -> int:
    """Decode a file as the library does it alone, and return its photosites."""
    with rawpy.imread(str(path)) as raw:
        return int(raw.raw_image_visible.copy().size)


def bare_s(paths: list[Path]) -> float:
    """Return how long two processes take that only decode."""
    with get_context("spawn").Pool(WORKERS) as pool:
        pool.map(bare, paths[:WORKERS], chunksize=1)  # begun and warm
        start = time.perf_counter()
        pool.map(bare, paths, chunksize=1)
        return time.perf_counter() - start


def audit(folder: Path, ledger: Path) -> subprocess.Popen[bytes]:
    """Begin an audit of a folder."""
    command = [sys.executable, "-m", "stopwise", "audit", str(folder), "--ledger", str(ledger)]
    return subprocess.Popen([*command, "--workers", str(WORKERS)], stdout=subprocess.DEVNULL)


def kept(ledger: Path) -> int:
    """Return how many frames a ledger holds by now."""
    import sqlite3

    try:
        with sqlite3.connect(f"file:{ledger}?mode=ro", uri=True) as opened:
            return int(opened.execute("SELECT count(*) FROM frames").fetchone()[0])
    except sqlite3.Error:
        return 0


def memory_mb(pid: int) -> float:
    """Return a process's own memory, MB (proc(5))."""
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def busy_s(pid: int) -> float:
    """Return seconds of the processors that a process and all begun by it have taken (proc(5))."""
    stat = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    threads = Path(f"/proc/{pid}/task").glob("*/children")
    below = [int(child) for of_thread in threads for child in of_thread.read_text().split()]
    own = sum(int(ticks) for ticks in stat[11:15]) / os.sysconf("SC_CLK_TCK")  # ended ones' too
    return own + sum(busy_s(child) for child in below)


class Seen(NamedTuple):
    """How far an audit has come."""

    at_s: float
    frames: int
    memory_mb: float
    busy_s: float


def followed(going: subprocess.Popen[bytes], ledger: Path) -> list[Seen]:
    """Return how far an audit has come, twice a second while it runs."""
    told = []
    while going.poll() is None:
        time.sleep(_LOOK_S)
        with suppress(OSError, IndexError):  # it ended meanwhile
            memory, busy = memory_mb(going.pid), busy_s(going.pid)
            if memory:
                told.append(Seen(time.perf_counter(), kept(ledger), memory, busy))
    going.wait()
    return told


class Stretch(NamedTuple):
    """What an audit did between two counts of frames, and its keeper's memory at the second."""

    a_second: float
    busy_ms: float
    memory_mb: float


def between(told: list[Seen], first: float, last: float) -> Stretch | None:
    """Return what an audit did between two counts; None where it was too quick to be seen."""
    begun = next(one for one in told if one.frames >= first)
    ended = next((one for one in told if one.frames >= last), told[-1])
    frames = ended.frames - begun.frames
    if not frames:
        return None
    took_s, busy = ended.at_s - begun.at_s, ended.busy_s - begun.busy_s
    return Stretch(frames / took_s, 1e3 * busy / frames, ended.memory_mb)


def main() -> None:
    """Print both."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--large", type=int, default=24)
    parser.add_argument("--small", type=int, default=10_000)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        base = Path(place)
        (base / "large").mkdir()
        (base / "small").mkdir()
        paths = large_frames(base / "large", asked.large) if asked.large else []
        ratios = []
        for turn in range(2 if paths else 0):
            alone_s = bare_s(paths)
            told = followed(audit(base / "large", base / f"{turn}.sqlite"), base / f"{turn}.sqlite")
            if (whole := between(told, 2 * WORKERS, len(paths))) is not None:
                ratios.append(whole.a_second * alone_s / len(paths))
        if ratios:
            print(f"of the rate of two bare decodes: {statistics.median(ratios):.2f}", ratios)
        if asked.small:
            small_frames(base / "small", asked.small)
            told = followed(audit(base / "small", base / "small.sqlite"), base / "small.sqlite")
            count = asked.small
            early = between(told, 0.1 * count, 0.2 * count)
            late = between(told, 0.9 * count, count)
            if early is None or late is None:
                print(f"{count} small frames: too few to be followed")
                return
            for what, one in (("second", early), ("last", late)):
                print(f"{count} small frames, {what} tenth: {one.busy_ms:.2f} ms of the processors "
                      f"a frame, {one.a_second:.0f} a second, {one.memory_mb:.1f} MB")  # fmt: skip
            print(f"last over second: {late.busy_ms / early.busy_ms:.2f} of the processors, "
                  f"{late.a_second / early.a_second:.2f} by the clock")  # fmt: skip


if __name__ == "__main__":
    main()

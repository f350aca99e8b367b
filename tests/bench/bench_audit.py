"""An archive measured: against two bare decodes side by side, and whether rate and memory hold.

`python tests/bench/bench_audit.py [--large 24] [--small 10000]` writes `--large` lossless frames of
24 megapixels and `--small` of 60 by 90 photosites, no two alike, and has `stopwise audit` measure
each lot. Printed: frames a second of the large lot over those of two processes that only decode
(open, unpack, copy), each taken twice, turn about; and of the small lot the rate of its last tenth
over that of its second (the first waits for the workers to begin), with the memory of the process
that keeps the ledger after each.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path

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


def followed(going: subprocess.Popen[bytes], ledger: Path) -> list[tuple[float, int, float]]:
    """Return seconds, frames kept and memory while an audit runs."""
    told = []
    while going.poll() is None:
        time.sleep(_LOOK_S)
        if going.poll() is None and (memory := memory_mb(going.pid)):  # 0 once it has ended
            told.append((time.perf_counter(), kept(ledger), memory))
    going.wait()
    return told


def rate(told: list[tuple[float, int, float]], first: float, last: float) -> tuple[float, float]:
    """Return frames a second between two counts, and the memory at the second."""
    begun = next(one for one in told if one[1] >= first)
    ended = next((one for one in told if one[1] >= last), told[-1])
    return (ended[1] - begun[1]) / (ended[0] - begun[0]), ended[2]


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
            ratios.append(rate(told, 2 * WORKERS, len(paths))[0] * alone_s / len(paths))
        if ratios:
            print(f"of the rate of two bare decodes: {statistics.median(ratios):.2f}", ratios)
        if asked.small:
            small_frames(base / "small", asked.small)
            told = followed(audit(base / "small", base / "small.sqlite"), base / "small.sqlite")
            count = asked.small
            early, early_mb = rate(told, 0.1 * count, 0.2 * count)
            late, late_mb = rate(told, 0.9 * count, count)
            change = f"{early:.0f} a second, then {late:.0f} ({late / early:.2f})"
            print(f"{count} small frames: {change}")
            print(f"memory {early_mb:.1f} MB after a fifth, {late_mb:.1f} MB at the end")


if __name__ == "__main__":
    main()

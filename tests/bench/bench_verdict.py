"""From a frame landing whole to its verdict, against the bare decode, in one run.

`python tests/bench/bench_verdict.py [--frames 8] [--megapixels 24] [--plain]` makes the light
model's frames in full size, marks its ambient frame, plate and solos in the plan (`--plain`: only
the targets), and lands full sets in a folder under a watch that has read the plan's own frames: as
they are, with the upper 60 % blown, and black; each renamed in, and written in place piece by
piece. Printed for each: time from the rename, or from the close, to the record, less the bare
decode of the same file (open, unpack, copy) right after it, at the median and the 95th of 100.
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import sys
import tempfile
import threading
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import rawpy

if TYPE_CHECKING:
    from stopwise.record import Record

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "sample_frames"))

from lightmodel import dngfile  # noqa: E402
from lightmodel.dng import DngSpec, write_dng  # noqa: E402
from lightmodel.frames import RECIPES, Darkroom, enlarged, light_on_sensor  # noqa: E402
from lightmodel.sensor import Sensor  # noqa: E402
from stopwise.raw import decode  # noqa: E402

SHAPES = {24: (4000, 6000), 45: (5504, 8256)}
SHAPE = SHAPES[24]
OWN = ("F0002", "F0003", "F0004", "F0005", "F0006", "F0007", "F0008", "F0011")
LANDED = ("F0009", "F0010", "F0011")
MOST_S = 120.0
BLOWN_SHARE = 0.6


def make_frames(folder: Path, names: tuple[str, ...]) -> None:
    """Write the named frames of the sample set in full size."""
    darkroom, sensor = Darkroom(), Sensor()
    for recipe in RECIPES:
        if recipe.name in names:
            light = light_on_sensor(recipe, darkroom.fields(recipe))
            due = sensor.signals(enlarged(light, SHAPE))
            mosaic, _ = sensor.expose(due, np.random.default_rng(recipe.seed))
            dngfile.write(folder / f"{recipe.name}.dng", mosaic, replace(recipe), sensor)


def plain_plan() -> str:
    """Return the sample plan without the frames that it names."""
    text = (ROOT / "sample_frames" / "plan.toml").read_text(encoding="utf-8")
    head, _, rest = text.partition("[frames]")
    _, _, after = rest.partition("\n[[") if "\n[[" in rest else ("", "", "")
    return head + (f"\n[[{after}" if after else "")


def bare_s(path: Path) -> float:
    """Return how long the decoding library alone takes."""
    start = time.perf_counter()
    with rawpy.imread(str(path)) as raw:
        raw.raw_image_visible.copy()
    return time.perf_counter() - start


def flooded(source: Path, place: Path, *, blown: bool) -> None:
    """Write a frame anew with its upper part at the stop, or at black as the sensor reads it."""
    frame, rng = decode(source), np.random.default_rng(0)
    mosaic = frame.mosaic.copy()
    upper = mosaic[: 2 * round(BLOWN_SHARE * len(mosaic) / 2)]
    level = frame.levels.white if blown else frame.levels.black[0]
    upper[:] = level if blown else np.rint(rng.normal(level, 4.0, upper.shape))
    white = int(frame.levels.white)
    write_dng(place, mosaic, spec=DngSpec(bits=14, black=frame.levels.black[0], white=white))


class Landed(NamedTuple):
    """What one landing took: to its record, the bare decode, and the record's own times."""

    whole_s: float
    bare_s: float
    times_ms: dict[str, float]


class Landings:
    """Frames that land one by one in a folder under a watch, while a block runs."""

    def __init__(self, shoot: Path) -> None:
        from stopwise.cli.watching import Shown, WatchRun
        from stopwise.ledger import Ledger

        self._shoot, self._count = shoot, 0
        self._told: dict[str, tuple[float, Record]] = {}
        self._came, self._stop = threading.Condition(), threading.Event()
        self._ledger = Ledger(shoot.parent / "ledger.sqlite")
        shown = Shown(self._show, lambda _: None)
        self._watch = WatchRun(shoot, self._ledger, shown, plan_path=shoot / "plan.toml")
        self._loop = threading.Thread(target=self._watch.run, args=(self._stop,))

    def __enter__(self) -> Landings:
        self._loop.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._watch.watcher.wake()
        self._loop.join()
        self._ledger.close()

    def _show(self, record: Record) -> None:
        with self._came:
            self._told[record.file] = time.perf_counter(), record
            self._came.notify_all()

    def land(self, source: Path, *, in_place: bool = False) -> tuple[Landed, Record]:
        """Land a picture as a file of its own content, and wait for its record."""
        self._count += 1
        path = self._shoot / f"L{self._count:04d}.dng"
        data = source.read_bytes() + b"%d" % self._count  # other content, the same picture
        if in_place:
            with path.open("wb") as file:
                for start in range(0, len(data), 1 << 20):
                    file.write(data[start : start + (1 << 20)])
        else:
            part = path.with_name(f".{path.name}.part")
            part.write_bytes(data)
            part.rename(path)
        landed = time.perf_counter()
        with self._came:
            self._came.wait_for(lambda: path.name in self._told, timeout=MOST_S)
        at, record = self._told[path.name]
        found = Landed(at - landed, bare_s(path), dict(record.timing_ms))
        path.unlink()
        return found, record


def land_all(shoot: Path, pictures: dict[str, list[Path]], count: int) -> None:
    """Land each kind of picture in either way, and print what the watch adds to a bare decode."""
    with Landings(shoot) as landings:
        first = next(iter(pictures.values()))[0]
        end = time.monotonic() + MOST_S
        while time.monotonic() < end:  # until the plan's own frames are read
            _, record = landings.land(first)
            if all(one.state != "not seen" for one in (record.lamps or {}).values()):
                break
        for what, files in pictures.items():
            for way, in_place in (("renamed in", False), ("written in place", True)):
                found = [
                    landings.land(files[number % len(files)], in_place=in_place)[0]
                    for number in range(count)
                ]
                added = [one.whole_s - one.bare_s for one in found]
                middle, most = np.percentile(added, (50.0, 95.0))
                decode_s, measure_s = (
                    statistics.median(one.times_ms[name] for one in found) / 1e3
                    for name in ("decode", "measure")
                )
                bare = statistics.median(one.bare_s for one in found)
                print(f"{what}, {way}: bare {bare:.2f} s, added {middle:.2f} s at the median of "
                      f"{count}, {most:.2f} s at the 95th of 100 (decode {decode_s:.2f} s, "
                      f"measure {measure_s:.2f} s)", flush=True)  # fmt: skip


def main() -> None:
    """Print what the watch adds to the bare decode."""
    global SHAPE  # noqa: PLW0603 - what makes the frames reads it
    arguments = argparse.ArgumentParser()
    arguments.add_argument("--frames", type=int, default=8)
    arguments.add_argument("--megapixels", type=int, choices=tuple(SHAPES), default=24)
    arguments.add_argument("--plain", action="store_true")
    arguments.add_argument("--stock", type=Path, help="folder that keeps the rendered frames")
    asked = arguments.parse_args()
    SHAPE = SHAPES[asked.megapixels]
    with tempfile.TemporaryDirectory(prefix="stopwise-bench-") as base:
        shoot, stock = Path(base) / "shoot", asked.stock or Path(base) / "stock"
        shoot.mkdir()
        stock.mkdir(exist_ok=True)
        needed = LANDED if asked.plain else tuple(dict.fromkeys((*OWN, *LANDED)))
        make_frames(stock, tuple(n for n in needed if not (stock / f"{n}.dng").exists()))
        if asked.plain:
            (shoot / "plan.toml").write_text(plain_plan(), encoding="utf-8")
        else:
            shutil.copy(ROOT / "sample_frames" / "plan.toml", shoot)
            for name in OWN:
                shutil.copy(stock / f"{name}.dng", shoot)
        pictures = {"as lit": [stock / f"{name}.dng" for name in LANDED]}
        for what, blown in (("60 % blown", True), ("60 % black", False)):
            pictures[what] = [Path(base) / f"{what.partition(' % ')[2]}.dng"]
            flooded(stock / f"{LANDED[1]}.dng", pictures[what][0], blown=blown)
        land_all(shoot, pictures, asked.frames)


if __name__ == "__main__":
    main()

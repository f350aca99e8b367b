"""From a 24-megapixel frame landing whole to its verdict, against the bare decode, in one run.

`python tests/bench/bench_verdict.py [--frames 8] [--plain] [--wait 40]` makes the light model's
frames at 6000 x 4000, marks its ambient frame, plate and solos in the plan (`--plain`: only the
targets), and lands full sets one by one in a folder under the watch, which has had `--wait` seconds
to read the plan's own frames. Printed: time from the rename that makes a frame whole to its record,
the bare decode of the same file (open, unpack, copy) right after it, and what the watch adds.
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
from typing import TYPE_CHECKING

import rawpy

if TYPE_CHECKING:
    from stopwise.record import Record

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "sample_frames"))

from lightmodel import dngfile  # noqa: E402
from lightmodel.frames import RECIPES, Darkroom, enlarged, light_on_sensor  # noqa: E402
from lightmodel.sensor import Sensor  # noqa: E402

SHAPE = (4000, 6000)
OWN = ("F0002", "F0003", "F0004", "F0005", "F0006", "F0007", "F0008", "F0011")
LANDED = ("F0009", "F0010", "F0011")
MOST_S = 120.0


def make_frames(folder: Path, names: tuple[str, ...]) -> None:
    """Write the named frames of the sample set in full size."""
    import numpy as np

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


def landings(
    stock: Path, shoot: Path, count: int, *, wait_s: float
) -> list[tuple[float, float, dict[str, float]]]:
    """Land frames one by one, and return landing to record, bare decode, and the record's times."""
    from stopwise.cli.watching import Shown, WatchRun
    from stopwise.ledger import Ledger

    told: dict[str, tuple[float, dict[str, float]]] = {}
    came = threading.Condition()

    def show(record: Record) -> None:
        with came:
            told[record.file] = time.perf_counter(), dict(record.timing_ms)
            came.notify_all()

    found, stop = [], threading.Event()
    with Ledger(shoot.parent / "ledger.sqlite") as ledger:
        watch = WatchRun(shoot, ledger, Shown(show, print), plan_path=shoot / "plan.toml")
        loop = threading.Thread(target=watch.run, args=(stop,))
        loop.start()
        time.sleep(wait_s)
        for number in range(count):
            name = f"L{number:04d}.dng"
            part = shoot / f".{name}.part"
            shutil.copy(stock / f"{LANDED[number % len(LANDED)]}.dng", part)
            with part.open("ab") as file:
                file.write(b"%d" % number)  # other content, the same picture
            part.rename(shoot / name)
            landed = time.perf_counter()
            with came:
                came.wait_for(lambda name=name: name in told, timeout=MOST_S)
            at, times = told[name]
            found.append((at - landed, bare_s(shoot / name), times))
        stop.set()
        watch.watcher.wake()
        loop.join()
    return found


def main() -> None:
    """Print what the watch adds to the bare decode."""
    arguments = argparse.ArgumentParser()
    arguments.add_argument("--frames", type=int, default=8)
    arguments.add_argument("--plain", action="store_true")
    arguments.add_argument("--wait", type=float, default=40.0)
    asked = arguments.parse_args()
    with tempfile.TemporaryDirectory(prefix="stopwise-bench-") as base:
        shoot, stock = Path(base) / "shoot", Path(base) / "stock"
        shoot.mkdir()
        stock.mkdir()
        make_frames(stock, LANDED if asked.plain else tuple(dict.fromkeys((*OWN, *LANDED))))
        if asked.plain:
            (shoot / "plan.toml").write_text(plain_plan(), encoding="utf-8")
        else:
            shutil.copy(ROOT / "sample_frames" / "plan.toml", shoot)
            for name in OWN:
                shutil.copy(stock / f"{name}.dng", shoot)
        found = landings(stock, shoot, asked.frames, wait_s=asked.wait)
    for whole, bare, times in found:
        print(
            f"landed to record {whole:.2f} s, bare decode {bare:.2f} s, "
            f"added {whole - bare:.2f} s, ratio {whole / bare:.2f}, "
            f"decode {times['decode'] / 1e3:.2f} s, measure {times['measure'] / 1e3:.2f} s"
        )
    added = statistics.median(whole - bare for whole, bare, _ in found)
    print(f"added {added:.2f} s at the median of {len(found)}")


if __name__ == "__main__":
    main()

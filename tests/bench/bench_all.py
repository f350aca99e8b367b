"""How long a frame takes to be judged, as ratios in one run: `python tests/bench/bench_all.py`.

The sample frames are rendered at 45 megapixels (`--short`: taken as they are, in fewer rounds; the
ratios are then those of small frames), and each thing is done turn and turn about with the bare
decode of the same file (open, unpack, copy), so that a busy machine slows both alike. A line gives
the median and the extremes of what is divided by it in each round: time of the processor, which
others' work moves little, and time by the clock. What begins a process anew is compared with one
that decodes and nothing else. The landing and the archive have benches of their own, which the long
form runs after its own lines.
"""

from __future__ import annotations

import argparse
import os
import re
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
for place in (ROOT / "tests", ROOT / "sample_frames", HERE):
    sys.path.insert(0, str(place))

import bench_verdict  # noqa: E402

from lightmodel.dng import DngSpec, write_dng  # noqa: E402
from stopwise.measurement import measure  # noqa: E402
from stopwise.pipeline import Brief, assess_file  # noqa: E402
from stopwise.pipeline.plan_frames import PlanFrames  # noqa: E402
from stopwise.plan import load_plan  # noqa: E402
from stopwise.raw import decode  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Callable

    from stopwise.frame import Frame
    from stopwise.record import Record

SHAPE = (5504, 8256)
"""Rows and columns of 45 megapixels."""

FRAME = "F0010"
MOST_S = 600.0
PLAIN = """
import rawpy, numpy as np
with rawpy.imread({file!r}) as raw:
    light = raw.postprocess(gamma=(1, 1), no_auto_bright=True, output_bps=16, user_flip=0)
y = light @ np.array([0.2126, 0.7152, 0.0722], np.float32)
np.histogram(np.log2(np.maximum(y, 1.0)), bins=11), (light >= 65535).any(axis=2).mean()
np.percentile(y, [1, 50, 99]), y[::3, :-1].std()
print(next(line for line in open("/proc/self/status") if line.startswith("VmHWM")))
"""
BARE = """
import rawpy
with rawpy.imread({file!r}) as raw:
    raw.raw_image_visible.copy()
"""
JUDGED = """
from pathlib import Path
from stopwise.pipeline import Brief, assess_file
from stopwise.pipeline.plan_frames import PlanFrames
from stopwise.plan import load_plan
plan = load_plan({plan!r})
assess_file(Path({file!r}), Brief(plan=plan, plan_folder=Path({plan!r}).parent), PlanFrames())
print(next(line for line in open("/proc/self/status") if line.startswith("VmHWM")))
"""


class Spent(NamedTuple):
    """Seconds of the processor and by the clock, and the greatest memory of a process, MiB."""

    processor_s: float
    clock_s: float
    memory_mib: float = 0.0


def here(work: Callable[[], object]) -> Spent:
    """Do something in this process."""
    clock, busy = time.perf_counter(), time.process_time()
    work()
    return Spent(time.process_time() - busy, time.perf_counter() - clock)


def anew(*arguments: str) -> Spent:
    """Do something in a process of its own, which may say in the end what memory it took at most.

    What the system tells of an ended process counts what its parent held as it began (getrusage).
    """
    clock, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    command = [sys.executable, *arguments]
    done = subprocess.run(command, capture_output=True, check=False, text=True)
    clock_s, after = time.perf_counter() - clock, resource.getrusage(resource.RUSAGE_CHILDREN)
    spent_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    kibibytes = re.search(r"VmHWM:\s+(\d+)", done.stdout)
    return Spent(spent_s, clock_s, int(kibibytes[1]) / 1024 if kibibytes else 0.0)


def turn_about(rounds: int, *works: Callable[[], Spent]) -> list[list[Spent]]:
    """Do several things one after another, again and again; return what each spent each time."""
    found = [[work() for work in works] for _ in range(rounds)]
    return [list(one) for one in zip(*found, strict=True)]


def spread(values: list[float], form: str = ".2f") -> str:
    """Return the median of some values with their extremes."""
    middle, low, high = statistics.median(values), min(values), max(values)
    return f"{middle:{form}} ({low:{form}} to {high:{form}})"


def told(what: str, asked: str, ours: list[Spent], bare: list[Spent]) -> None:
    """Print what something takes against the bare decode."""
    pairs = list(zip(ours, bare, strict=True))
    busy = [one.processor_s / other.processor_s for one, other in pairs]
    clock = [one.clock_s / other.clock_s for one, other in pairs]
    over = [1e3 * (one.processor_s - other.processor_s) for one, other in pairs]
    print(f"{what} (asked {asked}): of the processor {spread(busy)} of bare, {spread(over, '.0f')} "
          f"ms over it; by the clock {spread(clock)}", flush=True)  # fmt: skip


def plan_of(folder: Path, name: str, *, names: str = "") -> Path:
    """Write the sample plan with only those lines of its own frames that match, and return it."""
    text = (ROOT / "sample_frames" / "plan.toml").read_text(encoding="utf-8")
    head, frames, rest = re.split(r"(?s)(?<=\[frames\]\n)(.*?)(?=\n\[set\])", text, maxsplit=1)
    kept = [line for line in frames.splitlines() if re.match(names or "(?!)", line)]
    place = folder / name
    place.write_text(head + "\n".join(kept) + "\n" + rest, encoding="utf-8")
    return place


def uncompressed(source: Path, place: Path) -> None:
    """Write a frame's photosites anew without compression."""
    frame = decode(source)
    black = np.asarray(frame.levels.black)[frame.pattern]
    spec = DngSpec(compression="none", bits=16, black=black, white=int(frame.levels.white))
    write_dng(place, frame.mosaic, spec=spec)


def judged(folder: Path, rounds: int) -> None:
    """Print what judging takes in a process that is warm, over the bare decode."""
    followed = plan_of(folder, "followed.toml", names="reference")
    uncompressed(folder / f"{FRAME}.dng", folder / "plain.dng")
    for what, plan, file, asked in (
        ("lossless, patches followed", followed, f"{FRAME}.dng", "1.15"),
        ("the same with five lamps read", folder / "plan.toml", f"{FRAME}.dng", "none"),
        ("uncompressed, patches followed", followed, "plain.dng", "120 ms over"),
    ):
        brief, frames = Brief(plan=load_plan(plan), plan_folder=folder), PlanFrames()
        path = folder / file

        def ours(path: Path = path, brief: Brief = brief, frames: PlanFrames = frames) -> Spent:
            return here(lambda: assess_file(path, brief, frames))

        ours()
        told(what, asked, *turn_about(rounds, ours, lambda path=path: here(lambda: bare(path))))


def bare(path: Path) -> None:
    """Decode with the library alone."""
    bench_verdict.bare_s(path)


def fresh(folder: Path, rounds: int) -> None:
    """Print what processes that begin take: judging, the plain path, a check, the help."""
    file, plan = str(folder / f"{FRAME}.dng"), str(folder / "alone.toml")
    plan_of(folder, "alone.toml")
    alone, ours, plain, check = turn_about(
        rounds,
        lambda: anew("-c", BARE.format(file=file)),
        lambda: anew("-c", JUDGED.format(file=file, plan=plan)),
        lambda: anew("-c", PLAIN.format(file=file)),
        lambda: anew("-m", "stopwise", "check", file, "--plan", plan),
    )
    told("check of one frame, cold", "800 ms over", check, alone)
    faster = [one.processor_s / two.processor_s for one, two in zip(plain, ours, strict=True)]
    less = [one.memory_mib / two.memory_mib for one, two in zip(ours, plain, strict=True)]
    print(f"than the plain path (asked 3 x as fast, half its memory): {spread(faster)} x as fast, "
          f"{spread(less)} of its memory; peak {spread([one.memory_mib for one in ours], '.0f')} "
          "MiB (asked 400)")  # fmt: skip
    (helps,) = turn_about(rounds, lambda: anew("-m", "stopwise", "--help"))
    print(f"stopwise --help (asked 0.15 s): {spread([one.processor_s for one in helps])} s")


def sizes(folder: Path, rounds: int, megapixels: tuple[int, ...]) -> None:
    """Print how measuring grows with the frame and with the number of patches."""
    frame, plan = decode(folder / f"{FRAME}.dng"), load_plan(plan_of(folder, "sizes.toml"))

    cells = frame.mosaic.reshape(frame.mosaic.shape[0] // 2, 2, -1, 2)

    def sized(count: int) -> Frame:
        """Return the same picture with so many megapixels, its cells left out or repeated."""
        side = (count * 1e6 / cells.size) ** 0.5
        rows, columns = (
            (np.arange(round(length * side)) / side).astype(np.intp).clip(max=length - 1)
            for length in (cells.shape[0], cells.shape[2])
        )
        taken = cells[rows[:, None], :, columns[None]].swapaxes(1, 2)
        return replace(frame, mosaic=taken.reshape(2 * len(rows), 2 * len(columns)))

    large = [sized(count) for count in megapixels]
    found = turn_about(rounds, *(lambda one=one: here(lambda: measure(one, plan)) for one in large))
    seconds = [statistics.median(one.processor_s for one in each) for each in found]
    slope, fixed = np.polyfit(megapixels, seconds, 1, w=1.0 / np.asarray(seconds))
    off = max(abs(s / (fixed + slope * m) - 1.0) for s, m in zip(seconds, megapixels, strict=True))
    print(f"measuring {megapixels} megapixels: {fixed:.2f} s and {1e3 * slope:.1f} ms each, "
          f"off by {100 * off:.0f} % at most (asked 10)")  # fmt: skip
    first = plan.patches[0]
    many = [replace_patches(plan, first, count) for count in (1, 50)]
    one, fifty = turn_about(rounds, *(lambda p=p: here(lambda: measure(frame, p)) for p in many))
    more = [b.processor_s / a.processor_s - 1.0 for a, b in zip(one, fifty, strict=True)]
    print(f"50 patches over one (asked under 0.15): {spread(more)}")


def replace_patches(plan: object, first: object, count: int) -> object:
    """Return a plan with so many patches like its first, and nothing that names another."""
    patches = [first.model_copy(update={"name": f"patch {n}"}) for n in range(count)]  # type: ignore[attr-defined]
    return plan.model_copy(  # type: ignore[attr-defined]
        update={"patches": patches, "ratios": [], "separations": [], "looks": []}
    )


def begun_again(folder: Path) -> None:
    """Print how long a frame waits that lands as a watch begins, first and with frames kept."""
    from stopwise.cli.watching import Shown, WatchRun
    from stopwise.ledger import Ledger

    landed = folder.parent / "landed"
    landed.mkdir()
    for number, what in enumerate(("nothing kept", "begun again")):
        path = landed / f"L{number}.dng"
        shutil.copy(folder / f"{FRAME}.dng", path)
        with path.open("ab") as file:
            file.write(b"%d" % number)  # other content, the same picture
        told, came, stop = [], threading.Event(), threading.Event()
        began = time.perf_counter()

        def show(record: Record, told: list[Record] = told, came: threading.Event = came) -> None:
            told.append(record)
            came.set()

        with Ledger(folder.parent / "ledger.sqlite") as ledger:
            watch = WatchRun(landed, ledger, Shown(show, print), plan_path=folder / "plan.toml")
            loop = threading.Thread(target=watch.run, args=(stop,))
            loop.start()
            came.wait(MOST_S)
            waited = time.perf_counter() - began
            stop.set()
            watch.watcher.wake()
            loop.join()
        lamps = sum(one.state != "not seen" for one in (told[0].lamps or {}).values())
        alone = bench_verdict.bare_s(path)
        print(f"watch with five solos, {what}: a frame that lands at once is told after "
              f"{waited:.1f} s with {lamps} lamps read (asked, begun again: 3.3 s and its bare "
              f"decode, {alone:.1f} s)", flush=True)  # fmt: skip


def main() -> None:
    """Print all lines."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--short", action="store_true")
    arguments.add_argument("--rounds", type=int, default=0)
    arguments.add_argument("--stock", type=Path, help="folder that keeps the rendered frames")
    asked = arguments.parse_args()
    rounds = asked.rounds or (3 if asked.short else 9)
    bench_verdict.SHAPE = SHAPE
    with tempfile.TemporaryDirectory(prefix="stopwise-bench-") as base:
        folder, stock = Path(base) / "plan", asked.stock or Path(base) / "stock"
        stock = ROOT / "sample_frames" if asked.short else stock
        stock.mkdir(exist_ok=True)
        names = (*bench_verdict.OWN, FRAME)
        lacking = [name for name in names if not (stock / f"{name}.dng").exists()]
        bench_verdict.make_frames(stock, tuple(lacking))
        folder.mkdir()
        for file in (*(f"{name}.dng" for name in names), "plan.toml"):
            shutil.copy((stock if file.endswith("dng") else ROOT / "sample_frames") / file, folder)
        photosites = decode(folder / f"{FRAME}.dng").mosaic.size
        print(f"{photosites / 1e6:.1f} megapixels, {rounds} rounds, load {os.getloadavg()[0]:.0f}")
        judged(folder, rounds)
        fresh(folder, rounds)
        sizes(folder, rounds, (2, 4, 8) if asked.short else (8, 24, 45, 150))
        begun_again(folder)
    if not asked.short:
        for bench in ("bench_verdict.py", "bench_audit.py"):
            print(f"== {bench}", flush=True)
            subprocess.run([sys.executable, str(HERE / bench)], check=True)


if __name__ == "__main__":
    main()

"""Start the real watch on many raw files while others land: `python tests/soak/flood.py`.

It prints how long the files took, how far the watch said it was, and how long each frame that
landed meanwhile waited for its verdict, as seconds and as old frames that were told before it. It
ends with 1 where a frame isn't kept exactly once.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "sample_frames"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np

from lightmodel.dng import DngSpec, write_dng
from support.commanding import WatchCommand
from support.made_raws import levels_for

_EDGES = (64, 96)
_EVERY_S = 5.0
_STILL_S = 120.0


def frames_of(base: Path) -> bytearray:
    """Return a small raw file whose middle may be changed to make another content of it."""
    path = base / "first.dng"
    levels = levels_for("gbrg uncompressed", _EDGES)
    write_dng(path, levels, spec=DngSpec(compression="none", bits=16))
    return bytearray(path.read_bytes())


def land(path: Path, whole: bytearray, number: int) -> None:
    """Write one file as a copying program does: under another name, then renamed."""
    middle = len(whole) // 2
    whole[middle : middle + 8 : 2] = number.to_bytes(4, "little")
    part = path.with_suffix(".part")
    part.write_bytes(whole)
    part.rename(path)


def run(base: Path, count: int) -> int:
    """Run, print the figures, and return the exit code."""
    folder, whole = base / "shoot", frames_of(base)
    folder.mkdir()
    for number in range(count):
        land(folder / f"A{number:05d}.dng", whole, number)
    began = shot_at = moved_at = time.monotonic()
    waits: list[tuple[float, int]] = []
    open_: dict[str, tuple[float, int]] = {}
    total, seen = count, 0
    with WatchCommand(folder, base / "l.sqlite", workers=2) as watch:
        watch.wait_for("there already", limit_s=300)
        print(f"found after {time.monotonic() - began:.1f} s", flush=True)
        while len(watch.records) < total:
            assert watch.is_running, watch.said
            now = time.monotonic()
            assert now < moved_at + _STILL_S, watch.said
            for place, name in enumerate(watch.files[seen:], start=seen):
                seen, moved_at = seen + 1, now
                if name in open_:
                    landed_at, told = open_.pop(name)
                    waits.append((now - landed_at, place - told))
            if now >= shot_at + _EVERY_S and seen < count - 200:
                name, shot_at = f"B{total - count:05d}.dng", now
                open_[name] = (now, len(watch.records))
                land(folder / name, whole, total)
                total += 1
            time.sleep(0.01)
        took_s = time.monotonic() - began
        notes = [line for line in watch.notes if "there already" in line]
        code = watch.stop()
        files = Counter(watch.files)
    print(f"{total} frames in {took_s:.0f} s, {total / took_s:.1f} a second; ended with {code}")
    print("told:", [line.partition("there already: ")[2] for line in notes])
    seconds, before = np.array(waits).T if waits else (np.zeros(1), np.zeros(1))
    print(f"{len(waits)} frames landed meanwhile, verdict after {np.median(seconds):.2f} s", end="")
    print(f" (most {seconds.max():.2f}), {np.median(before):.0f} old ones before it", end="")
    print(f" (most {before.max():.0f})")
    doubled = [name for name, times in files.items() if times > 1]
    print(f"told once each: {len(files) == total and not doubled}")
    return 0 if len(files) == total and not doubled and code == 0 else 1


def main() -> int:
    """Run with what the command line says."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=10_000)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as base:
        return run(Path(base), chosen.frames)


if __name__ == "__main__":
    sys.exit(main())

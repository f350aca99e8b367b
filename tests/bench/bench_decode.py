"""Time of our decode against the bare decoding library's, as a ratio in one run.

`python tests/bench/bench_decode.py` reads the real 18-megapixel mosaic, turn and turn about so that
a busy machine slows both alike, and prints the median of the ratios with its quartiles. Bare means:
open, unpack, copy the visible area.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
import rawpy

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from stopwise.raw import declared_end, decode
from support.real_files import real_mosaic

ROUNDS = 21


def bare(path: Path) -> None:
    """Decode with the library alone."""
    with rawpy.imread(str(path)) as raw:
        raw.raw_image_visible.copy()


def seconds(work: object, path: Path) -> float:
    """Return how long one call takes."""
    start = time.perf_counter()
    work(path)  # type: ignore[operator]
    return time.perf_counter() - start


def main() -> None:
    """Print the ratio and the times that it comes from."""
    path = real_mosaic()
    bare(path)
    decode(path)
    times = np.array(
        [
            (seconds(bare, path), seconds(decode, path), seconds(declared_end, path))
            for _ in range(ROUNDS)
        ]
    )
    low, middle, high = np.percentile(times[:, 1] / times[:, 0], (25, 50, 75))
    plain, ours, promise = 1000 * np.median(times, axis=0)
    print(
        f"decode / bare decode: {middle:.2f} (quartiles {low:.2f} to {high:.2f}, {ROUNDS} rounds)"
    )
    print(f"median: bare {plain:.0f} ms, decode {ours:.0f} ms, declared_end {promise:.2f} ms")


if __name__ == "__main__":
    main()

"""Time from a decoded 24-megapixel frame to its measurement, against two bare passes over it.

`python tests/bench/bench_measure.py` makes frames of 4000 x 6000 photosites (nothing clipped, a
hard pile-up, a soft one), measures each with a plan of six patches, a ratio and a backdrop, and
prints processor time, wall time and the ratio to the bare passes, taken turn and turn about so that
a busy machine slows both alike. A bare pass is one histogram and one float copy of the mosaic.
"""

from __future__ import annotations

import cProfile
import pstats
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

for folder in (Path(__file__).resolve().parents[1], Path(__file__).resolve().parents[2]):
    sys.path.insert(0, str(folder))

from stopwise.measurement import measure  # noqa: E402
from stopwise.plan import Plan  # noqa: E402
from support.light_frames import Sensor, expose  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Callable

    from stopwise.frame import Frame

SHAPE = (4000, 6000)
ROUNDS = 7
TOP = 25


def scene(peak: float) -> np.ndarray:
    """Return light on paper with a bright round spot, in cells of four photosites."""
    rows, columns = np.meshgrid(
        np.linspace(-1, 1, SHAPE[0] // 4), np.linspace(-1.5, 1.5, SHAPE[1] // 4), indexing="ij"
    )
    spot = peak * np.exp(-((rows + 0.1) ** 2 + (columns - 0.2) ** 2) / 0.05)
    light = 0.08 + 0.03 * columns + spot
    return np.kron(light, np.ones((4, 4)))


def plan() -> Plan:
    """Return a plan of the usual size."""
    boxes = [[0.1 * n, 0.2, 0.1 * n + 0.08, 0.3] for n in range(1, 7)]
    return Plan.model_validate(
        {
            "schema": 1,
            "patch": [{"name": f"patch {n}", "box": box} for n, box in enumerate(boxes)],
            "ratio": [{"lit": "patch 4", "shadow": "patch 0", "stops": 2.0}],
            "backdrop": {"boxes": [[0.02, 0.1, 0.3, 0.6], [0.7, 0.1, 0.98, 0.6]]},
        }
    )


def bare(frame: Frame) -> None:
    """Pass over the mosaic twice with numpy alone."""
    np.bincount(frame.mosaic.ravel(), minlength=65536)
    frame.mosaic.astype(np.float32)


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Return wall and processor seconds of one call."""
    wall, busy = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - wall, time.process_time() - busy


def main() -> None:
    """Print the times of each frame; with `--profile`, where they go."""
    targets = plan()
    frames = {
        "nothing clipped": (0.3, Sensor()),
        "hard pile-up": (3.0, Sensor()),
        "soft pile-up": (3.0, Sensor(ceiling=15400.0, spread=0.3, hot=1e-6)),
    }
    for name, (peak, sensor) in frames.items():
        frame, _ = expose(scene(peak), sensor)
        measure(frame, targets)
        times = np.array(
            [
                (*timed(lambda: measure(frame, targets)), *timed(lambda: bare(frame)))  # noqa: B023
                for _ in range(ROUNDS)
            ]
        )
        wall, busy, plain, _ = np.median(times, axis=0)
        ratio = np.median(times[:, 0] / times[:, 2])
        print(f"{name}: {wall:.3f} s ({busy:.3f} s of processor), {ratio:.1f} bare passes")
        print(f"    least {times[:, 0].min():.3f} s, bare passes {plain:.3f} s")
        if "--profile" in sys.argv:
            profile(frame, targets)


def profile(frame: Frame, targets: Plan) -> None:
    """Print where one measurement's time goes."""
    profiler = cProfile.Profile()
    profiler.runcall(measure, frame, targets)
    pstats.Stats(profiler).sort_stats("cumulative").print_stats(TOP)


if __name__ == "__main__":
    main()

"""Threads that decode at once neither mix up what they read nor call a whole frame damaged."""

from __future__ import annotations

import sys
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from lightmodel.dng import DngSpec, write_dng
from stopwise.raw import decode
from stopwise.raw.bounds import FileBytes
from support.made_raws import EXIF, levels_for

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

ROUNDS = 25
"""Decodes of each of four threads."""

READS = 100_000
"""Of each of four threads. Where one stream was sought and read by all, 14 to 25 of them gave the
bytes of another place (six runs), which called 3 in 1 600 whole frames damaged."""


@pytest.fixture
def switching() -> Iterator[None]:
    """Have threads take turns as often as they can."""
    before = sys.getswitchinterval()
    sys.setswitchinterval(1e-6)
    yield
    sys.setswitchinterval(before)


@pytest.fixture
def written(tmp_path: Path) -> dict[Path, tuple[int, NDArray[np.uint16]]]:
    """Return four files, each with an index and levels of its own."""
    files = {}
    for number in range(4):
        path, iso = tmp_path / f"F{number}.dng", 100 * (number + 1)
        levels = levels_for("rggb lossless", (120, 160), seed=number)
        deltas = np.linspace(-1.0, 1.0, 120).round(3).tolist()
        spec = DngSpec(exif=replace(EXIF, iso=iso), black_delta_v=deltas)
        write_dng(path, levels, spec=spec)
        files[path] = iso, levels
    return files


@pytest.mark.usefixtures("switching")
def test_bytes_are_those_of_the_place_whichever_thread_asks() -> None:
    data = bytes(range(256)) * 16
    file = FileBytes.of(data)
    places = [place % (len(data) - 4) for place in range(READS)]

    def wrong(_: int) -> int:
        return sum(file.at(place, 4) != data[place : place + 4] for place in places)

    with ThreadPoolExecutor(4) as threads:
        assert sum(threads.map(wrong, range(4))) == 0


@pytest.mark.usefixtures("switching")
def test_four_threads_read_each_its_own(
    written: dict[Path, tuple[int, NDArray[np.uint16]]],
) -> None:
    def read(path: Path) -> None:
        iso, levels = written[path]
        for _ in range(ROUNDS):
            frame = decode(path)
            assert frame.exposure == replace(frame.exposure, iso=iso, f_number=11.0)
            assert frame.camera.lens == EXIF.lens
            assert frame.levels.anchor == (16383.0,) * 4
            assert np.array_equal(frame.mosaic, levels)

    with ThreadPoolExecutor(len(written)) as threads:
        list(threads.map(read, written))

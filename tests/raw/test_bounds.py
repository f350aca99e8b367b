"""Whatever a file says of itself, it is refused soon and in little memory."""

from __future__ import annotations

import time
import tracemalloc
from typing import TYPE_CHECKING

import pytest

from lightmodel.dng import DngSpec, write_dng
from stopwise.errors import Unreadable
from stopwise.raw import declared_end, decode
from support.hostile_files import DAMAGED, tiny_index
from support.made_raws import levels_for

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

MOST_S, MOST_PEAK_BYTES = 5.0, 64 << 20
"""Of the processor, so that other work doesn't count. Far above what any of these files takes (a
tenth of a second, and twice the file's bytes) and far below what each took before there were
bounds: an endless loop, 1.8 GB, 8.8 GB."""


@pytest.mark.parametrize("make", DAMAGED)
def test_a_hostile_file_is_unreadable_soon_and_in_little_memory(
    tmp_path: Path, make: Callable[[Path], None]
) -> None:
    path = tmp_path / "a.dng"
    make(path)
    tracemalloc.start()
    begun = time.process_time()

    declared_end(path)
    with pytest.raises(Unreadable, match="damaged"):
        decode(path)

    took, (_, peak) = time.process_time() - begun, tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert took < MOST_S
    assert peak < MOST_PEAK_BYTES


def test_filters_and_blacks_of_long_repeats_are_refused(tmp_path: Path) -> None:
    """Both patterns are brought to their least common measure, which may be their product."""
    path = tmp_path / "a.dng"
    spec = DngSpec(pattern=("RG", "GB") * 2050, compression="none", bits=16, exif=None)
    write_dng(path, levels_for("rggb lossless", (64, 96)), spec=spec)

    with pytest.raises(Unreadable, match="a filter pattern of 4100 x 2"):
        decode(path)


def test_an_index_that_no_logarithm_bears_is_none(tmp_path: Path) -> None:
    path = tmp_path / "a.dng"
    tiny_index(path)
    assert decode(path).exposure.iso is None

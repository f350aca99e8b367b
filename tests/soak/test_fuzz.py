"""A short run of the fuzz; the long one is `python tests/soak/fuzz_frames.py --files 20000`."""

from __future__ import annotations

import shutil
import sys
from random import Random
from typing import TYPE_CHECKING

import numpy as np
import pytest

from soak.fuzzing import Fuzz
from soak.mutating import MUTATIONS
from soak.parents import SAMPLES, first_rows, make_parents
from stopwise.pipeline import Brief, assess_file
from stopwise.pipeline.plan_frames import PlanFrames
from stopwise.plan import load_plan
from stopwise.raw import decode
from support.real_files import real_mosaic

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="looks at /proc")
def test_the_watch_goes_on_through_spoiled_files_and_calls_none_on_plan_wrongly(
    tmp_path: Path,
) -> None:
    fuzz = Fuzz(tmp_path, shrink=6, has_whole=False, keep=None)
    outcome = fuzz.run(240, batch=60, at_most_s=50)
    assert {"on plan", "off plan", "unreadable"} <= set(outcome.parents.values())
    assert outcome.judged >= 60
    assert outcome.wrong == []
    assert outcome.exit_code == 0


def test_every_mutation_spoils_and_chance_repeats_itself(tmp_path: Path) -> None:
    content, donor = ((SAMPLES / name).read_bytes() for name in ("F0009.dng", "F0011.dng"))
    for mutation in MUTATIONS:
        spoiled = [mutation(content, donor, Random(seed)) for seed in (1, 1, 2)]
        assert spoiled[0] == spoiled[1] != content
        assert spoiled[2] not in (spoiled[0], content)


def test_a_parent_made_small_shows_the_same_light(tmp_path: Path) -> None:
    parents = make_parents(tmp_path, shrink=4)
    assert len(parents.files) == len(list(SAMPLES.glob("F*.dng")))
    small, whole = decode(tmp_path / "F0011.dng"), decode(SAMPLES / "F0011.dng")
    assert (small.levels, small.exposure) == (whole.levels, whole.exposure)
    assert small.size == (360, 270)
    for row in (0, 1):
        here, there = (np.median(frame.mosaic[row::2, ::2]) for frame in (small, whole))
        assert here == pytest.approx(there, rel=0.02)


def test_a_frame_in_other_clothes_than_the_solos_calls_no_lamp_out(tmp_path: Path) -> None:
    """F0018 without its look: hardly anything that the fill lit fits, and all lamps fired."""
    make_parents(tmp_path, shrink=4)
    shutil.copy(SAMPLES / "plan.toml", tmp_path)
    brief = Brief(plan=load_plan(tmp_path / "plan.toml"), plan_folder=tmp_path)
    lamps = assess_file(tmp_path / "F0018.dng", brief, PlanFrames()).record.lamps
    assert lamps["fill"].state == "not seen"
    assert lamps["paper left"].state == lamps["paper right"].state == "fired"


def test_the_real_file_keeps_its_first_rows(tmp_path: Path) -> None:
    real = real_mosaic()
    (tmp_path / "real.arw").write_bytes(first_rows(real.read_bytes(), rows=64))
    few, all_rows = decode(tmp_path / "real.arw").mosaic, decode(real).mosaic
    assert np.array_equal(few, all_rows[: few.shape[0]])
    assert 32 <= few.shape[0] <= 64

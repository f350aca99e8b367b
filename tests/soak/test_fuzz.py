"""A short run of the fuzz; a long one is `fuzz_frames.py --way watch --files 50000`."""

from __future__ import annotations

import shutil
import sys
from random import Random
from typing import TYPE_CHECKING

import numpy as np
import pytest

from soak.corpus import Corpus, Spoiled, state_of, write
from soak.fuzzing import run
from soak.mutating import MUTATIONS
from soak.parents import SAMPLES, first_rows, made_containers, make_parents
from soak.spoiling_boxes import BOX_MUTATIONS
from stopwise.pipeline import Brief, assess_file
from stopwise.pipeline.plan_frames import PlanFrames
from stopwise.plan import load_plan
from stopwise.raw import declared_end, decode
from support.real_files import real_mosaic

if TYPE_CHECKING:
    from pathlib import Path

    from soak.tally import Way


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="looks at /proc")
@pytest.mark.parametrize("way", ["watch", "check"])
def test_spoiled_files_cost_themselves_only_and_a_run_goes_on_where_it_was(
    tmp_path: Path, way: Way
) -> None:
    state = tmp_path / "state"
    first = run(state, way=way, seed=5, files=40, batch=40)
    tally = run(state, way=way, seed=5, files=120, batch=40)
    assert first.done == 40
    assert tally.done == 120
    assert sum(sum(row.values()) for row in tally.verdicts.values()) >= 117  # equal ones count once
    assert len(tally.verdicts) > 20
    assert (tally.faults, tally.wrong) == ([], [])


def test_a_number_makes_the_same_file_each_time_and_every_parent_is_used(tmp_path: Path) -> None:
    folders = tmp_path / "one", tmp_path / "two"
    made = []
    for folder in folders:
        folder.mkdir()
        corpus = Corpus(folder, seed=3, shrink=12)
        made.append([corpus.made(number) for number in range(300)])
    assert made[0] == made[1]
    assert {one.parent for one in made[0]} >= set(corpus.parents) - set(corpus.samples)
    assert all(one.content != corpus.parents[one.parent] for one in made[0])


def test_holes_are_written_as_the_bytes_that_they_are(tmp_path: Path) -> None:
    for number in (1, 2):
        content = b"a" + bytes(20_000) + b"b" + bytes(5000)
        write(tmp_path, Spoiled(number, f"{number}.dng", "", "", "", content))
        assert (tmp_path / f"{number}.dng").read_bytes() == content
    states = [state_of(tmp_path / f"{number}.dng") for number in (1, 2)]
    assert states[0] is not None
    assert states[1] is not None
    assert states[0][0] == states[1][0]


@pytest.mark.parametrize("parent", [0, 1, 2])
def test_every_mutation_spoils_and_chance_repeats_itself(tmp_path: Path, parent: int) -> None:
    samples = [(SAMPLES / name).read_bytes() for name in ("F0009.dng", "F0011.dng")]
    made = made_containers(tmp_path)
    content = (samples[0], made["long-offsets.dng"], made["boxes.cr3"])[parent]
    for mutation in MUTATIONS:
        if mutation in BOX_MUTATIONS and parent < 2:
            assert mutation(content, samples[1], Random(1)) == content
            continue
        spoiled = [mutation(content, samples[1], Random(seed)) for seed in (1, 1, *range(2, 9))]
        assert spoiled[0] == spoiled[1]
        assert any(one != content for one in spoiled)
        assert len(set(spoiled)) > 1


def test_whole_containers_are_read_as_what_they_are(tmp_path: Path) -> None:
    """What is made of no real file at hand promises its own length; DNGs give their photosites."""
    for name, content in made_containers(tmp_path).items():
        path = tmp_path / name
        path.write_bytes(content)
        end = declared_end(path)
        assert end is not None
        assert len(content) - 2 <= end <= len(content)
        if name.endswith(".dng") and name != "long-offsets.dng":
            assert decode(path).mosaic.shape[:2] == (48, 80)


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

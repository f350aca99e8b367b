"""A knocked tripod told from a sitter who moved, by what stands still; on crops of sample frames.

What the camera sees after a knock is another crop of the same exposure: shifts are then known to a
photosite, and nothing of the light has changed.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from itertools import product
from pathlib import Path

import numpy as np
import pytest

import stopwise
from stopwise.lamps.blame import know
from stopwise.lamps.seen import Announced, see_lamps
from stopwise.lamps.solos import lamp_set
from stopwise.measurement import Known, read
from stopwise.measurement.figures import CameraMove
from stopwise.measurement.follow import camera_move
from stopwise.plan.now import plan_now
from stopwise.verdict import judge

SAMPLES = Path(__file__).parents[2] / "sample_frames"
PLAN = stopwise.load_plan(SAMPLES / "plan.toml")
EDGE = 0.08
"""Share of the picture that is cut off at each side, so that a knock of 5 % has room."""


@lru_cache(maxsize=2)
def decoded(name):
    return stopwise.decode(SAMPLES / name)


def crop(name, right=0.0, down=0.0):
    """Return a sample frame as a camera sees it whose picture has shifted, and by what exactly."""
    whole = decoded(name)
    rows, columns = whole.mosaic.shape
    tall, wide = (2 * round(side * (1 - 2 * EDGE) / 2) for side in (rows, columns))
    y = 2 * round((EDGE * rows - down * tall) / 2)
    x = 2 * round((EDGE * columns - right * wide) / 2)
    middle = 2 * round(EDGE * rows / 2), 2 * round(EDGE * columns / 2)
    truly = ((middle[1] - x) / wide, (middle[0] - y) / tall)
    return replace(
        whole, mosaic=np.ascontiguousarray(whole.mosaic[y : y + tall, x : x + wide])
    ), truly


def boxed(box):
    """Return where a box of the whole frame lies in the middle crop."""
    x0, y0, x1, y1 = (min(max((edge - EDGE) / (1 - 2 * EDGE), 0.0), 1.0) for edge in box)
    return (x0, y0, x1, y1)


def cropped_plan(*, still=True):
    patches = tuple(
        patch.model_copy(update={"box": boxed(patch.box), "still": still and patch.name == "chip"})
        for patch in PLAN.patches
    )
    paper = PLAN.backdrop.model_copy(update={"boxes": tuple(map(boxed, PLAN.backdrop.boxes))})
    clip = tuple(one.model_copy(update={"box": boxed(one.box)}) for one in PLAN.may_clip)
    return PLAN.model_copy(update={"patches": patches, "backdrop": paper, "may_clip": clip})


@lru_cache(maxsize=1)
def reference():
    return read(crop("F0011.dng")[0], cropped_plan()).grid


def knocked(right, down, *, plan=None, name="F0011.dng"):
    frame, truly = crop(name, right, down)
    reading = read(frame, plan or cropped_plan(), known=Known(reference=reference()))
    return reading, truly


KNOCKS = [(0.01, 0.0), (-0.03, 0.01), (0.05, 0.0), (0.0, -0.05)]


@pytest.mark.parametrize(("right", "down"), KNOCKS)
def test_a_knocked_camera_is_told_and_boxes_of_chip_and_paper_follow(right, down):
    reading, truly = knocked(right, down)
    moved = reading.measurement.moved
    assert (moved.right, moved.down) == pytest.approx(truly, abs=0.005)
    chip = cropped_plan().patch("chip").box
    x0, y0, x1, y1 = chip
    due = (x0 + truly[0], y0 + truly[1], x1 + truly[0], y1 + truly[1])
    assert reading.measurement.patches["chip"].box == pytest.approx(due, abs=0.005)
    verdict = judge(reading.measurement, cropped_plan())
    assert verdict.verdict == "on plan"
    assert all(one.turn is None for one in verdict.findings)
    told = next(one for one in verdict.findings if one.code == "camera_moved")
    assert told.detail.patches == ("paper", "chip")


def test_a_still_camera_is_not_moved_though_the_head_was_turned():
    # F0017: the sitter's head turned, the tripod untouched (sample_frames/README.md)
    assert knocked(0.0, 0.0, name="F0017.dng")[0].measurement.moved == CameraMove()


def test_where_nothing_still_is_known_nobody_is_named():
    plan = cropped_plan(still=False)
    reading, _ = knocked(0.05, 0.0, plan=plan)
    assert reading.measurement.moved is None
    codes = {one.code for one in judge(reading.measurement, plan).findings}
    assert "something_moved" in codes
    assert not codes & {"camera_moved", "off_mark"}


def test_a_still_thing_that_is_not_there_says_nothing():
    grid = reference()
    bare = replace(grid, mean=np.full_like(grid.mean, 0.1))
    assert camera_move(grid, bare, [cropped_plan().patch("chip").box]) is None


@pytest.mark.slow
def test_knocks_all_round_are_told_within_half_a_per_cent_and_no_lamp_is_blamed():
    plan = cropped_plan()
    lamps = {lamp: read(crop(file)[0], plan).grid for lamp, file in PLAN.frames.solo.items()}
    ambient = read(crop(PLAN.frames.ambient)[0], plan).grid
    solos = lamp_set(lamps, ambient)
    now, off, blamed = plan_now(plan), [], 0
    knowledge = know(solos, now)
    for angle, size in product(np.linspace(0, 2 * np.pi, 8, endpoint=False), (0.01, 0.03, 0.05)):
        reading, truly = knocked(size * np.cos(angle), size * np.sin(angle))
        moved = reading.measurement.moved
        off.append(max(abs(moved.right - truly[0]), abs(moved.down - truly[1])))
        light = reading.grid.brought_back(moved.right, moved.down)
        seen = see_lamps(light, solos, knowledge, reading.measurement, Announced(), {})
        verdict = judge(reading.measurement, plan, lamps=seen)
        blamed += any(one.check == "lamp" or one.turn is not None for one in verdict.findings)
        blamed += len(verdict.turns)
        blamed += any(one.state in ("weak", "strong", "out") for one in seen.readings.values())
    assert max(off) <= 0.005
    assert blamed == 0

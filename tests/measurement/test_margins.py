"""The file's black against masked margins.

That masked photosites tell the level of zero light: DNG specification, MaskedAreas (from memory).
"""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from lightmodel.dng import DngSpec, write_dng
from stopwise.cells import cells_of
from stopwise.cli import run
from stopwise.conditions import condition
from stopwise.frame import Masked
from stopwise.measurement.levels import black_limit, find_levels, with_margins
from stopwise.measurement.noise import MaskedLevels
from support.light_frames import Sensor, expose

MARGIN = 16
SHAPE = (160, 256)


def record_of(tmp_path, capsys, *, dark, **options):
    """Return the record of a DNG of black 512 whose top rows are masked and stand at `dark`."""
    rng = np.random.default_rng(5)
    levels = rng.normal(3000.0, 25.0, SHAPE)
    levels[:MARGIN] = rng.normal(dark, 4.0, (MARGIN, SHAPE[1]))
    spec = DngSpec(
        active_area=(MARGIN, 0, *SHAPE), masked_areas=((0, 0, MARGIN, SHAPE[1]),), **options
    )
    write_dng(tmp_path / "made.dng", np.rint(levels).astype(np.uint16), spec=spec)
    return said(tmp_path / "made.dng", capsys)


def said(path, capsys):
    assert run(["check", "--json", str(path)]) == 0
    return json.loads(capsys.readouterr().out)


@pytest.mark.parametrize("dark", [512.0, 514.0])
def test_margins_at_the_files_black_are_told_without_a_word(tmp_path, capsys, dark):
    levels = record_of(tmp_path, capsys, dark=dark)["levels"]
    assert levels["masked_black"] == pytest.approx([dark] * 4, abs=0.5)
    assert levels["why"] == {}


@pytest.mark.parametrize("dark", [504.0, 520.0])
def test_margins_eight_levels_off_are_said_and_move_no_figure(tmp_path, capsys, dark):
    right, off = (record_of(tmp_path, capsys, dark=one) for one in (512.0, dark))
    assert off["levels"]["masked_black"] == pytest.approx([dark] * 4, abs=0.5)
    assert off["levels"]["why"] == {"black": "black_off"}
    assert condition("black_off").code == 213
    assert off["levels"]["black"] == right["levels"]["black"] == [512.0] * 4
    assert off["zones"] == right["zones"]
    assert off["verdict"] == "measured"


def test_a_frame_without_margins_says_nothing_of_them(tmp_path, capsys):
    levels = np.random.default_rng(5).normal(3000.0, 25.0, SHAPE)
    write_dng(tmp_path / "bare.dng", np.rint(levels).astype(np.uint16), spec=DngSpec())
    record = said(tmp_path / "bare.dng", capsys)
    assert (record["levels"]["masked_black"], record["levels"]["why"]) == (None, {})


def test_black_that_differs_from_row_to_row_is_not_compared(tmp_path, capsys):
    deltas = [0.0, 20.0] * ((SHAPE[0] - MARGIN) // 2)
    levels = record_of(tmp_path, capsys, dark=540.0, black_delta_v=deltas)["levels"]
    assert (levels["masked_black"], levels["why"]) == (None, {})


def frame_with(means, *, read=4.0, count=1000, white=16383.0):
    """Return a frame of black 512 with `count` masked photosites of each colour, and its levels."""
    rng = np.random.default_rng(7)
    held = np.concatenate([rng.normal(mean, read, count) for mean in means])
    masked = Masked(np.rint(held).astype(np.uint16), np.repeat(range(len(means)), count))
    frame, _ = expose(np.full((64, 64), 0.2), Sensor(white=white), masked=masked)
    return frame, find_levels(cells_of(frame), noise=None)


def limit_of(frame, levels, colour):
    error = MaskedLevels.of(frame.masked, colour).error
    return black_limit(levels.black[colour], levels.anchor[colour], error)


def test_one_colour_off_is_enough():
    frame, levels = frame_with((512.0, 512.0, 520.0, 512.0))
    assert with_margins(levels, frame).why == {"black": "black_off"}


def test_too_few_masked_photosites_of_every_colour_give_nothing():
    frame, levels = frame_with((520.0,) * 4, count=200)
    assert with_margins(levels, frame).masked_black is None


def test_the_limit_moves_zone_1_by_a_twentieth_of_a_stop():
    # ISO 12232, saturation-based speed: mid-grey 0.18 / sqrt(2) of white; Zone 1 lies 4 stops under
    frame, levels = frame_with((512.0,) * 4)
    zone_1 = (16383.0 - 512.0) * 0.18 / math.sqrt(2.0) / 16.0
    limit = limit_of(frame, levels, 0)
    assert math.log2((zone_1 + limit) / zone_1) == pytest.approx(0.05, abs=1e-9)


def test_noisy_margins_may_lie_three_standard_errors_and_half_a_level_off():
    # standard error of a mean: sd / sqrt(n); 40 / sqrt(400) = 2 levels, so the limit is near 6.5
    frame, levels = frame_with((512.0,) * 4, read=40.0, count=400, white=4095.0)
    assert limit_of(frame, levels, 1) == pytest.approx(6.5, abs=0.8)

"""What the measuring room promises, counted over made cases: the short run of bench_figures.py."""

from __future__ import annotations

import numpy as np
import pytest

from support.figures import (
    follow_cases,
    gone_scores,
    soft_clip_cases,
    unclipped_cases,
    zone_cases,
)
from support.light_frames import COLOURS


@pytest.mark.slow
def test_zones_of_every_mosaic_lie_within_0_03_stop_and_their_own_uncertainty():
    cases = list(zone_cases(10 * len(COLOURS)))
    assert {case.kind for case in cases} == set(COLOURS)
    assert max(abs(case.off) - case.uncertainty for case in cases) <= 0.03


@pytest.mark.slow
def test_soft_pile_ups_anywhere_are_found_and_counted_within_two_hundredths():
    for case in soft_clip_cases(12, seed=3):
        assert case.levels.saturation_source == "observed", case.told
        assert case.counted == pytest.approx(case.true, rel=0.02), case.told


def test_frames_with_nothing_clipped_have_under_one_photosite_in_100_000_called_clipped():
    for case in unclipped_cases(40, seed=1):
        assert case.counted - case.true <= 1e-5 * case.photosites, case.told


@pytest.mark.slow
def test_patches_are_found_again_wherever_the_sitter_moves():
    # the trial of the project's design: 300 of 300 moves by the gradient of log luminance
    moves = list(follow_cases(12))
    cases = [case for move in moves for case in move]
    assert len(cases) > 40
    assert np.mean([case.off <= 0.005 for case in cases]) >= 0.95
    assert not [case for case in cases if case.seen and case.off > 0.02]
    assert np.mean([case.seen for case in cases if case.patch == "shadow cheek"]) > 0.9


@pytest.mark.slow
def test_a_sitter_who_has_left_is_not_found():
    assert max(gone_scores(8)) < 0.4

"""Patches that follow a made sitter: where he moves, what he turns, and what must not be found."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy.ndimage import map_coordinates
from skimage.feature import match_template

from stopwise.measurement.follow import LEAST_SCORE, find_patches
from stopwise.measurement.motion import (
    Motion,
    Rectangle,
    common_motion,
    correlate,
    evidence,
    gradient,
    peak,
    prepare,
    tones,
)
from support.grids import grid_of
from support.sitter_scene import BOXES, Lamps, Pose, Scene, moved, render

STILL, HERE = Scene(), Pose()


@cache
def reduced(scene=STILL):
    return grid_of(render(scene))


def placed(scene, *patches):
    names = patches or tuple(BOXES)
    found = find_patches(reduced(), reduced(scene), [BOXES[name] for name in names])
    return dict(zip(names, found, strict=True))


def centre(box):
    return (box[0] + box[2]) / 2.0, (box[1] + box[3]) / 2.0


def off(place, patch, pose=HERE):
    """Return how far a patch was placed off the truth, in frame widths."""
    (x, y), (true_x, true_y) = centre(place.box), moved(centre(BOXES[patch]), pose)
    return float(np.hypot(x - true_x, (y - true_y) / 1.5))


# --- the correlation --------------------------------------------------------------------------


def test_the_gradient_correlation_peaks_where_the_reference_librarys_does():
    # scikit-image's normalised correlation of the size of the gradient, an independent search
    rng = np.random.default_rng(2)
    field = gradient(tones(np.exp(rng.normal(0.0, 0.5, (60, 80))).astype(np.float32)))
    template = field[20:31, 33:50]
    searched = prepare(field, (30, 40), (30, 40), template.shape)
    ours = correlate(searched, (template, np.ones(template.shape, np.float32)), overlap=0.6)
    row, column, height = peak(ours)
    theirs = match_template(np.abs(field), np.abs(template))
    best = np.unravel_index(int(np.argmax(theirs)), theirs.shape)
    assert height == pytest.approx(1.0, abs=1e-3)
    assert (row + searched.origin[0], column + searched.origin[1]) == pytest.approx(
        (best[0] + 5, best[1] + 8), abs=0.05
    )


def test_the_correlation_is_the_plain_sum_over_what_lies_inside():
    rng = np.random.default_rng(4)
    field = (rng.normal(size=(30, 40)) + 1j * rng.normal(size=(30, 40))).astype(np.complex64)
    template = (rng.normal(size=(7, 9)) + 1j * rng.normal(size=(7, 9))).astype(np.complex64)
    weights = rng.random((7, 9)).astype(np.float32)
    searched = prepare(field, (15, 20), (15, 20), (7, 9))
    found = correlate(searched, (template, weights), overlap=0.0)
    part = field[12:19, 16:25]
    inner = (weights * (np.conj(template) * part).real).sum()
    energy = (weights * np.abs(template) ** 2).sum() * (weights * np.abs(part) ** 2).sum()
    expected = inner / np.sqrt(energy)
    assert found[15, 20] == pytest.approx(expected, abs=1e-3)
    agreement, telling = evidence((template, weights), field, (15, 20))
    assert agreement / telling == pytest.approx(expected, abs=1e-5)


@pytest.mark.parametrize("stops", [-1.5, 0.7, 1.5])
def test_a_change_of_power_is_no_change_of_gradient(stops):
    light = np.exp(np.random.default_rng(1).normal(-1.0, 0.4, (50, 70))).astype(np.float32)
    same, other = (gradient(tones(light * np.float32(2.0**turn))) for turn in (0.0, stops))
    assert np.abs(same - other).max() < 0.03


@pytest.mark.parametrize(
    ("down", "across", "tilt", "scale"),
    [(0, 0, 0, 1.0), (12, -20, 0, 1.0), (-8, 15, 7, 1.03), (5, 9, -10, 0.95)],
)
def test_a_shift_tilt_and_size_are_found_together(down, across, tilt, scale):
    rng = np.random.default_rng(6)
    coarse = rng.normal(0.0, 1.0, (40, 60)).repeat(5, 0).repeat(5, 1)
    turn = np.deg2rad(tilt)
    rows, columns = np.indices(coarse.shape, dtype=float)
    v, u = rows - 100.0 - down, columns - 150.0 - across
    source = (
        100.0 + (v * np.cos(turn) - u * np.sin(turn)) / scale,
        150.0 + (u * np.cos(turn) + v * np.sin(turn)) / scale,
    )
    now = map_coordinates(coarse, source, order=1, mode="wrap")
    window = Rectangle(100.0, 150.0, 50.0, 60.0)
    found = common_motion(coarse.astype(np.float32), now.astype(np.float32), window)
    at = Motion(down, across, tilt, scale).carry(100.0, 150.0, window)
    assert found.carry(100.0, 150.0, window) == pytest.approx(at, abs=0.6)
    assert found.tilt == pytest.approx(tilt, abs=1.3)
    assert found.scale == pytest.approx(scale, abs=0.02)
    assert found.score > 0.7


# --- a sitter ---------------------------------------------------------------------------------


def test_a_sitter_who_stays_is_found_where_he_was():
    for patch, place in placed(Scene(seed=8)).items():
        assert off(place, patch) == 0.0  # its box does not tremble
        assert place.score > 0.9


@pytest.mark.parametrize(
    "pose", [Pose(dx=0.2), Pose(dx=-0.25, dy=0.05), Pose(tilt=10.0), Pose(dx=0.1, tilt=-10.0)]
)
@pytest.mark.parametrize("stops", [-1.5, 1.5])
def test_a_sitter_who_moves_or_leans_while_power_changes_is_found(pose, stops):
    lamps = Lamps(stops, stops, stops, stops, stops)
    for patch, place in placed(Scene(pose, lamps, seed=4)).items():
        assert off(place, patch, pose) < 0.005
        assert place.score > LEAST_SCORE or patch in {"hair", "jacket"}


def test_a_patch_that_leaves_the_frame_is_not_seen():
    place = placed(Scene(Pose(dx=0.48)), "jacket", "shadow cheek")["jacket"]
    assert place.score < LEAST_SCORE


def test_a_patch_whose_lamp_is_out_has_nothing_to_be_found_by_and_the_rest_goes_on():
    found = placed(Scene(lamps=Lamps(hair=None), seed=5))
    assert off(found["lit cheek"], "lit cheek") < 0.002
    assert found["lit cheek"].score > LEAST_SCORE


@pytest.mark.parametrize("yaw", [-60.0, 60.0])
def test_a_head_that_is_turned_away_is_not_seen_and_the_body_is(yaw):
    found = placed(Scene(Pose(yaw=yaw), seed=6))
    for patch in ("lit cheek", "shadow cheek"):
        assert found[patch].score < LEAST_SCORE
    for patch in ("jacket", "mask"):
        assert found[patch].score > LEAST_SCORE
        assert off(found[patch], patch) < 0.005


@pytest.mark.parametrize("yaw", [-10.0, 10.0])
def test_a_head_turned_by_ten_degrees_is_still_a_cheek(yaw):
    found = placed(Scene(Pose(yaw=yaw), seed=6), "lit cheek", "shadow cheek", "jacket")
    for patch in ("lit cheek", "shadow cheek"):
        assert found[patch].score > LEAST_SCORE
        assert off(found[patch], patch) < 0.03


@pytest.mark.parametrize("sitter_seed", [11, 12])
def test_the_sitter_gone_is_not_seen(sitter_seed):
    for place in placed(Scene(Pose(gone=True), seed=sitter_seed)).values():
        assert place.score < 0.4


def test_frames_of_other_shapes_are_not_compared():
    other = grid_of(render(Scene(shape=(480, 640))))
    places = find_patches(reduced(), other, [BOXES["jacket"]])
    assert places[0].score == 0.0
    assert places[0].box == BOXES["jacket"]

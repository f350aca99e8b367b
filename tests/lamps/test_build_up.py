"""A lamp's own light out of two frames, against frames whose light is known by arithmetic."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stopwise.grid import BoxCells
from stopwise.lamps.build_up import difference, own_light
from stopwise.lamps.solos import SoloPlace, lamp_set
from support.built_up import OwnBuildUp, ReliefBuildUp, built_up
from support.grids import grid_of

ROWS, COLUMNS = 20, 30
KEY = np.linspace(0.1, 0.4, ROWS * COLUMNS).reshape(ROWS, COLUMNS)
FILL = np.full((ROWS, COLUMNS), 0.05)
ROOM = np.full((ROWS, COLUMNS), 0.01)


def test_light_adds_so_that_a_difference_is_the_frame_of_the_lamp_alone():
    whole, less, room = (grid_of(light) for light in (KEY + FILL + ROOM, KEY + ROOM, ROOM))
    own = difference(whole, less, room)
    assert own.luminance == pytest.approx(FILL + ROOM, abs=1e-6)
    # variances add; and what a flash varies by, 0.02 stop (common practice), of both frames
    varies = 0.02 * np.log(2.0) * np.sqrt(2.0) * (KEY + ROOM)
    noise = np.sqrt(whole.noise**2 + less.noise**2 + room.noise**2 + varies**2)
    assert own.noise == pytest.approx(noise, rel=1e-4)


def test_what_is_clipped_in_either_is_unknown():
    clipped = np.zeros((ROWS, COLUMNS), np.float32)
    clipped[3, 4] = 0.6
    whole, less = grid_of(KEY + FILL), replace(grid_of(KEY), clipped=clipped)
    assert difference(whole, less).clipped[3, 4] == pytest.approx(0.6)
    light = np.full((3, 50), 0.2, np.float32)
    fine, hot = (BoxCells((0.1, 0.1, 0.2, 0.2), light, np.arange(50) < count) for count in (0, 5))
    whole, less = (
        replace(whole, boxes={"a": fine, "b": fine}),
        replace(grid_of(KEY), boxes={"a": fine, "b": hot}),
    )
    own, notes = own_light("fill", whole, less)
    assert set(own.boxes) == {"a"}
    assert [(note.code, note.names) for note in notes][1:] == [("unknown in", ("b",))]


def test_what_would_read_otherwise_had_it_gone_with_the_sitter_is_unknown():
    edge = np.where(np.arange(COLUMNS) < 15, 0.1, 0.4) * np.ones((ROWS, 1))
    moved = np.roll(edge, 2, axis=1)
    moved[:, :2] = 0.1
    whole, less = grid_of(moved + FILL), grid_of(edge)
    own = difference(whole, less, places=(SoloPlace(right=2 / COLUMNS), SoloPlace()))
    assert np.all(own.clipped[:, 15:17] == 1.0)
    assert np.all(own.clipped[:, 5:13] == 0.0)


@pytest.mark.parametrize(
    ("key", "fill", "code"),
    [(0.0, 1.0, "sure to"), (-0.5, 1.0, "others changed"), (0.0, 0.0, "unlit")],
)
def test_what_two_frames_show_is_kept_or_refused_with_the_reason(key, fill, code):
    whole, less = grid_of(KEY * 2.0**key + FILL * fill + ROOM), grid_of(KEY + ROOM)
    _, (note, *_) = own_light("fill", whole, less, grid_of(ROOM))
    assert note.code == code
    assert note.is_refused == (code != "sure to")


@pytest.mark.parametrize(
    ("key", "reach", "code"),
    [
        (0.6, 8, "gives more"),
        (0.15, 8, "sure to"),  # under a quarter of a stop no lamp counts as strong
        (0.0, 8, "sure to"),
        (0.6, COLUMNS, "sure to"),  # lit all over by the other, it can't be told
    ],
)
def test_a_lamp_that_was_turned_up_as_another_came_on_is_named(key, reach, code):
    fill = np.where(np.arange(COLUMNS) < reach, FILL, 0.0)
    whole, less = grid_of(KEY * 2.0**key + fill + ROOM), grid_of(KEY + ROOM)
    known = lamp_set({"key": less}, grid_of(ROOM))
    _, (note, *_) = own_light("fill", whole, less, grid_of(ROOM), known=known)
    assert (note.code, note.is_refused) == (code, code == "gives more")
    if code == "gives more":
        assert (note.lamp, note.names) == ("fill", ("key",))
        assert note.stops == pytest.approx(key, abs=0.02)
        assert note.words.startswith("With fill on, key gives 0.6 stop more than in the frame")


@pytest.mark.parametrize(
    ("share", "reach", "names"),
    [
        (0.5, COLUMNS, ("key",)),  # turned down by a stop
        (0.0, COLUMNS // 2, ("key",)),  # a flag takes half of what it lights
        (None, COLUMNS, ()),  # both give less
    ],
)
def test_a_lamp_that_was_flagged_or_turned_down_as_another_came_on_is_named(share, reach, names):
    key = np.where(np.arange(COLUMNS) < COLUMNS // 2, KEY, 0.02 * KEY)
    rim = KEY - key
    kept = np.where(np.arange(COLUMNS) < reach // 2, 0.5 if share is None else share, 1.0)
    left = key * kept + rim * (0.5 if share is None else 1.0)
    whole, less = grid_of(left + 0.1 * FILL + ROOM), grid_of(key + rim + ROOM)
    known = lamp_set({"key": grid_of(key + ROOM), "rim": grid_of(rim + ROOM)}, grid_of(ROOM))
    _, (note, *_) = own_light("fill", whole, less, grid_of(ROOM), known=known)
    assert (note.code, note.names, note.is_refused) == ("others changed", names, True)
    who = f"{names[0]} gives" if names else "the other lamps give"
    moved = "; was key moved or flagged, say: moved key" if names else ""
    assert note.words == (
        f"With fill on, {who} less than in the frame before. Turn nothing between the two, or "
        f"shoot fill alone{moved}."
    )


@pytest.mark.slow
@pytest.mark.parametrize("model", [OwnBuildUp, ReliefBuildUp])
def test_outputs_read_by_solos_out_of_the_build_up_are_true(model):
    """A part of the figure that `tests/bench/figures_build_up.py` counts."""
    for seed in range(2):
        found = built_up(model(seed), seed)
        assert not found.refused
        assert np.mean(np.abs(found.off) <= 0.1) >= 0.9

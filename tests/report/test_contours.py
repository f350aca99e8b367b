"""Lines on the picture: where tone passes from zone to zone, what is blown, what is blocked."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from stopwise.report.contours import area_outlines, stipple, zone_contours
from stopwise.report.drawable import left_clean

MID_GREY = 0.1273


def test_a_round_spot_of_light_has_round_contours_at_its_zones() -> None:
    y, x = np.mgrid[0:200, 0:300]
    radius = np.hypot(x + 0.5 - 150, y + 0.5 - 100)
    # one zone darker every 20 pixels, Zone 6.5 in the middle
    spot = MID_GREY * 2.0 ** (1.5 - radius / 20)
    found = {line.level: line.points for line in zone_contours(spot, mid_grey=MID_GREY, clip=8.0)}
    for level, points in found.items():
        if level in (3.5, 4.5, 5.5):
            away = np.hypot(points[:, 0] * 300 - 150, points[:, 1] * 200 - 100)
            assert away == pytest.approx(20 * (6.5 - level), abs=0.7)
    assert {3.5, 4.5, 5.5} <= set(found)


def test_the_edge_of_a_thing_is_no_contour_of_light() -> None:
    picture = np.full((200, 300), MID_GREY * 2.0**-3)
    picture[:, 150:] = MID_GREY * 2.0**2
    assert zone_contours(picture, mid_grey=MID_GREY, clip=8.0) == []


def test_no_contour_is_drawn_above_the_clip() -> None:
    ramp = np.broadcast_to(MID_GREY * 2.0 ** np.linspace(0, 3, 300), (200, 300))
    levels = {line.level for line in zone_contours(ramp, mid_grey=MID_GREY, clip=6.0)}
    assert levels == {5.5}


@given(
    arrays(
        np.float64,
        st.tuples(st.integers(1, 12), st.integers(1, 12)),
        elements=st.floats(allow_nan=True, allow_infinity=True),
    )
)
def test_any_picture_gives_contours_inside_it(picture: np.ndarray) -> None:
    for line in zone_contours(picture, mid_grey=MID_GREY, clip=7.97):
        assert np.isfinite(line.points).all()
        assert ((line.points >= 0) & (line.points <= 1)).all()


def test_an_outline_goes_round_what_is_over_half_and_closes() -> None:
    share = np.zeros((50, 80))
    share[10:30, 20:60] = 1.0
    [line] = area_outlines(share, (20 / 80, 10 / 50, 60 / 80, 30 / 50))
    assert (line[0] == line[-1]).all()
    assert line.min(axis=0) == pytest.approx((20 / 80, 10 / 50), abs=0.005)
    assert line.max(axis=0) == pytest.approx((60 / 80, 30 / 50), abs=0.005)


def test_an_outline_is_closed_along_the_rim_of_the_picture() -> None:
    share = np.zeros((50, 80))
    share[:20, 60:] = 1.0
    [line] = area_outlines(share, (60 / 80, 0.0, 1.0, 20 / 50))
    assert line.min(axis=0) == pytest.approx((60 / 80, 0.0), abs=0.005)
    assert line.max(axis=0) == pytest.approx((1.0, 20 / 50), abs=0.005)


def test_areas_are_told_apart_by_their_boxes() -> None:
    share = np.zeros((50, 80))
    share[10:20, 10:20] = share[30:40, 50:60] = 1.0
    [line] = area_outlines(share, (10 / 80, 10 / 50, 20 / 80, 20 / 50))
    assert line.max(axis=0) == pytest.approx((20 / 80, 20 / 50), abs=0.005)


def test_an_area_smaller_than_a_block_is_outlined_by_its_box() -> None:
    box = (0.1, 0.1, 0.11, 0.12)
    [line] = area_outlines(np.zeros((20, 30)), box)
    assert [*line.min(axis=0), *line.max(axis=0)] == pytest.approx(box)


def test_dots_lie_evenly_and_only_over_what_is_blocked() -> None:
    mask = np.zeros((60, 90), bool)
    mask[:, 45:] = True
    dots = stipple(mask, across=30)
    assert (dots[:, 0] >= 0.5).all()
    assert len(dots) == pytest.approx(30 * 20 / 2, rel=0.1)
    rows = np.unique(np.round(dots[:, 1] * 60, 3))
    assert np.diff(rows) == pytest.approx(90 / 30, abs=0.01)


def test_a_clipped_part_has_no_colour_and_all_else_keeps_its_own() -> None:
    image = np.array([[[200, 150, 220], [10, 20, 30]]], np.uint8)
    clean = left_clean(image, np.array([[1.0, 0.0]]))
    assert clean.tolist() == [[[220, 220, 220], [10, 20, 30]]]

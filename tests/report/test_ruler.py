"""The stop ruler's heights, lanes and labels."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stopwise.report.facts import marked_patches
from stopwise.report.ruler import RulerReading, clip_zone, in_lanes, ruler_of, spread
from support.made_records import finding, lamp, patch, record, unreadable

LEVELS = record().levels
SHARES = record().zones.share
BOX = (0.4, 0.4, 0.5, 0.5)


def test_a_file_that_clips_where_it_says_ends_the_ruler_at_7_97() -> None:
    # ISO 12232, saturation-based speed: mid-grey at 0.18 / sqrt 2 of saturation
    assert clip_zone(record()) == pytest.approx(5 - math.log2(0.18 / math.sqrt(2)), abs=1e-3)


def test_a_sensor_that_stops_below_its_named_white_ends_the_ruler_lower() -> None:
    levels = replace(LEVELS, black=(256.0,), saturation=(3850.0,), anchor=(4095.0,))
    lower = math.log2((3850 - 256) / (4095 - 256))
    assert clip_zone(record(levels=levels)) - clip_zone(record()) == pytest.approx(lower)


def test_the_first_colour_to_clip_ends_the_ruler() -> None:
    levels = replace(LEVELS, black=(0.0,) * 2, saturation=(15e3, 14e3), anchor=(15e3,) * 2)
    assert clip_zone(record()) - clip_zone(record(levels=levels)) == pytest.approx(
        math.log2(15 / 14)
    )


def test_a_zones_bar_covers_half_a_zone_either_side_and_ends_at_the_clip_line() -> None:
    ruler = ruler_of(record())
    assert [(bar.low, bar.high) for bar in ruler.shares[:2]] == [(-0.5, 0.5), (0.5, 1.5)]
    assert ruler.shares[-1].high == ruler.clip
    assert [bar.fraction for bar in ruler.shares] == [*SHARES[:9]]


def reading_of(name, *findings, zone=6.9):
    frame = record("off plan", *findings, patches={name: patch(zone, BOX)})
    return next(one for one in ruler_of(frame).readings if one.name == name)


def test_a_target_stands_between_its_limits_and_the_value_off_it() -> None:
    hair = reading_of("hair", finding("patch", "over", "hair", 6.9, 6.5))
    assert (hair.low, hair.target, hair.high) == pytest.approx((6.2, 6.5, 6.7))
    assert hair.off == pytest.approx(0.4)


def test_a_patch_that_is_not_seen_keeps_its_bracket() -> None:
    unseen = finding("patch", "not_seen", "hair", None, 6.0, state="not seen")
    hair = reading_of("hair", unseen, zone=None)
    assert (hair.value, hair.off, hair.low, hair.state) == (None, None, 5.7, "not seen")


def test_a_patch_without_a_target_has_no_bracket_and_no_state() -> None:
    readings = ruler_of(record()).readings
    assert all(reading.low is None and reading.state is None for reading in readings)
    assert [reading.name for reading in readings][-1] == "paper"


def test_the_worst_finding_of_a_patch_decides_its_mark_on_ruler_and_picture_alike() -> None:
    blown = finding("clip", "blown", "cloth", 0.1, 0.0, unit="fraction")
    held = finding("patch", "over", "cloth", 6.6, 6.5, state="holds")
    ratio = finding("ratio", "too_deep", "skin to cloth", 3.0, 2.0, lit="skin", shadow="cloth")
    frame = record(
        "off plan", ratio, blown, held, patches={"cloth": patch(6.6, BOX), "skin": patch(6.0, BOX)}
    )
    on_ruler = {one.name: one.state for one in ruler_of(frame).readings}
    on_picture = {one.name: one.state for one in marked_patches(frame)}
    assert on_ruler == {**on_picture, "paper": None}
    assert on_picture == {"cloth": "fails", "skin": None}
    assert [one.figure for one in marked_patches(frame)] == ["6.6  +0.1", "6.0"]


def test_a_patch_whose_lamp_is_out_is_not_said_to_hold_by_its_limits_alone() -> None:
    clear = finding("clip", "clear", "hair", 0.0, 0.0, state="holds")
    seen = finding("patch", "over", "cloth", 6.5, 6.5, state="holds")
    out = finding("lamp", "out", "hair", None, 0.0)
    patches = {"hair": patch(3.0, BOX), "cloth": patch(6.5, BOX)}
    frame = record("off plan", out, clear, seen, patches=patches, lamps={"hair": lamp("out")})
    assert {one.name: one.state for one in marked_patches(frame)} == {
        "hair": None,
        "cloth": "holds",
    }


def test_a_patch_may_be_called_like_a_lamp_or_a_ratio() -> None:
    out = finding("lamp", "weak", "key", -0.7, 0.0)
    ratio = finding("ratio", "too_deep", "hand to lit", 3.0, 2.0, lit="hand", shadow="lit")
    names = ("key", "hand to lit")
    frame = record("off plan", out, ratio, patches={name: patch(6.0, BOX) for name in names})
    assert [one.state for one in marked_patches(frame)] == [None, None]


def test_an_unreadable_frame_gives_an_empty_scale() -> None:
    ruler = ruler_of(unreadable())
    assert (ruler.shares, ruler.readings, ruler.clipped, ruler.lanes) == ((), (), 0.0, 0)


spans = st.lists(st.tuples(st.floats(-0.5, 8), st.floats(0, 2)), max_size=12)


@given(spans)
def test_brackets_in_one_lane_never_touch(pairs: list[tuple[float, float]]) -> None:
    readings = [
        RulerReading(name=str(k), value=low, uncertainty=None, target=low, low=low, high=low + wide)
        for k, (low, wide) in enumerate(pairs)
    ]
    placed = in_lanes(readings, gap=0.1)
    assert [reading.name for reading in placed] == [reading.name for reading in readings]
    for lane in {reading.lane for reading in placed}:
        held = sorted(reading.span for reading in placed if reading.lane == lane and reading.span)
        assert all(after[0] - before[1] >= 0.1 for before, after in pairwise(held))


@given(st.lists(st.floats(-50, 250), max_size=9), st.floats(1, 40))
def test_labels_stay_apart_in_order_and_inside(heights: list[float], gap: float) -> None:
    low, high = 0.0, 200.0
    placed = spread(heights, gap, low, high)
    order = sorted(range(len(heights)), key=lambda index: heights[index])
    at = [placed[index] for index in order]
    least = min(gap, (high - low) / max(len(heights) - 1, 1))
    assert all(after - before >= least - 1e-9 for before, after in pairwise(at))
    assert all(low - 1e-9 <= height <= high + 1e-9 for height in at)


def test_labels_with_room_stay_where_they_belong() -> None:
    assert spread([100.0, 20.0, 60.0], 30.0, 0.0, 200.0) == [100.0, 20.0, 60.0]


def test_labels_that_meet_part_around_their_middle() -> None:
    assert spread([100.0, 100.0], 30.0, 0.0, 200.0) == [85.0, 115.0]

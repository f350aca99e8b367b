"""The floor: places from angles and distances, and a drawing that says every lamp."""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stopwise.errors import WrongUse
from stopwise.plan.floor import FACE_HEIGHT, beam_of, floor_of_plan, place_of, short_names
from stopwise.plan.floor_drawing import write_floor
from stopwise.plan.loading import plan_of_text
from stopwise.plan.model import Light, Plan

if TYPE_CHECKING:
    from pathlib import Path

SET = """\
title = "Five lamps"
[[light]]
name = "key"
role = "key"
modifier = "snoot"
off_axis = 60
elevation = 35
distance = 1.8
meter = 11
power = -2
[[light]]
name = "left paper"
role = "background"
off_axis = -130
distance = 2.4
power = "7.0 of 10"
scale = "figure"
[[light]]
name = "right paper"
role = "background"
off_axis = 130
distance = 2.4
[[light]]
name = "hair & co <$x^$>"
role = "hair"
[[panel]]
kind = "flag"
off_axis = -70
distance = 0.9
[[panel]]
kind = "scrim"
[[panel]]
kind = "white board"
off_axis = 90
[set]
sitter_to_paper = 2.2
camera_to_sitter = 3.5
"""


def test_a_lamp_at_sixty_round_and_thirty_five_up_stands_where_trigonometry_says() -> None:
    # Spherical coordinates worked by hand: 1.8 cos 35 sin 60, 1.8 cos 35 cos 60, 1.8 sin 35.
    spot = place_of(60, 35, 1.8)

    assert (spot.x, spot.y) == (pytest.approx(1.27695, abs=1e-4), pytest.approx(-0.73724, abs=1e-4))
    assert spot.z == pytest.approx(FACE_HEIGHT + 1.03244, abs=1e-4)


@given(st.floats(-180, 180), st.floats(-80, 80), st.floats(0.3, 8))
def test_a_place_keeps_its_distance_and_its_side(off: float, up: float, distance: float) -> None:
    spot = place_of(off, up, distance)

    assert math.hypot(spot.x, spot.y, spot.z - FACE_HEIGHT) == pytest.approx(distance)
    assert spot.x * math.sin(math.radians(off)) >= -1e-12


def test_everything_of_the_plan_stands_on_the_floor() -> None:
    floor = floor_of_plan(plan_of_text(SET))

    assert [lamp.short for lamp in floor.lamps] == short_names([lamp.name for lamp in floor.lamps])
    assert [lamp.told for lamp in floor.lamps[:2]] == ["set to -2.0", "set to 7.0 of 10"]
    assert floor.lamps[0].row[1:7] == ("snoot", "60° right", "35° up", "1.80 m", "-2.0", "f/11")
    assert [lamp.is_placed for lamp in floor.lamps] == [True, True, True, False]
    assert (floor.camera.y, floor.paper_y) == (-3.5, 2.2)
    assert [panel.kind for panel in floor.panels] == ["flag", "scrim", "white board"]


@pytest.mark.parametrize(
    ("name", "short"),
    [
        ("key", "key"),
        ("hair lamp", "hair"),
        ("background left", "bac L"),
        ("right paper", "pap R"),
        ("strip 2", "str 2"),
        ("light", "ligh"),
    ],
)
def test_a_lamps_short_name_is_made_of_its_own(name: str, short: str) -> None:
    assert short_names([name]) == [short]


@given(st.lists(st.text(st.characters(categories=("L", "N", "Zs")), min_size=1), max_size=30))
def test_no_two_lamps_of_a_set_share_a_short_name(names: list[str]) -> None:
    names = [name for name in names if name.strip()]
    short = short_names(names)
    assert len(set(short)) == len(names)
    assert all(0 < len(one) <= 5 for one in short)


def test_background_lamps_are_turned_to_their_own_half_of_the_paper() -> None:
    left, right = floor_of_plan(plan_of_text(SET)).lamps[1:3]

    assert left.aim.x < 0 < right.aim.x
    assert left.aim.y == right.aim.y == 2.2


@pytest.mark.parametrize(
    ("keys", "beam"),
    [
        ({"modifier": "snoot"}, 16.0),
        ({"modifier": "snoot", "grid": "20 degrees"}, 20.0),
        ({"modifier": "gridded dish"}, 30.0),
        ({"modifier": "large octa"}, 90.0),
        ({}, 60.0),
    ],
)
def test_a_beam_is_as_wide_as_its_modifier(keys: dict[str, str], beam: float) -> None:
    assert beam_of(Light(name="key", **keys)) == beam


def test_the_drawing_says_every_lamp_and_what_to_set_it_to(tmp_path: Path) -> None:
    svg = write_floor(floor_of_plan(plan_of_text(SET)), tmp_path / "floor.svg")

    root = ET.parse(svg).getroot()  # noqa: S314 (our own file)
    words = [text.strip() for text in root.itertext() if text.strip()]
    for lamp in ("key", "left paper", "right paper", "hair & co <$x^$>", "set to -2.0", "f/11"):
        assert lamp in words
    assert {"hair", "pap L, pap R", "From above", "camera", "sitter", "flag"} <= set(words)


def test_the_drawing_is_the_same_every_time(tmp_path: Path) -> None:
    floor = floor_of_plan(plan_of_text(SET))

    first = write_floor(floor, tmp_path / "one.svg").read_bytes()
    assert write_floor(floor, tmp_path / "two.svg").read_bytes() == first


def test_the_drawing_is_readable_in_black_and_white(tmp_path: Path) -> None:
    from matplotlib.image import imread

    picture = imread(write_floor(floor_of_plan(plan_of_text(SET)), tmp_path / "floor.png"))

    colours = picture[..., :3]
    assert np.ptp(colours, axis=-1).max() == 0.0
    assert picture[..., :3].min() == 0.0
    assert (picture[..., 0] > 0.8).mean() > 0.8


@pytest.mark.parametrize("plan", [Plan(), Plan(lights=[{"name": f"l{n}"} for n in range(9)])])
def test_a_bare_set_and_a_crowded_one_are_drawn(plan: Plan, tmp_path: Path) -> None:
    assert write_floor(floor_of_plan(plan), tmp_path / "floor.png").stat().st_size > 10_000


def test_what_cant_be_drawn_is_said(tmp_path: Path) -> None:
    floor = floor_of_plan(Plan())

    with pytest.raises(WrongUse, match=r"must end in \.svg or \.png"):
        write_floor(floor, tmp_path / "floor.pdf")
    with pytest.raises(WrongUse, match="can't be written"):
        write_floor(floor, tmp_path / "none" / "floor.png")

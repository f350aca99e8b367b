"""The true figures follow the definitions: checked on cells made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from lightmodel import expected, truth
from lightmodel.frames import Exposed, Settings
from lightmodel.render import MID_GREY
from lightmodel.scene import Material
from lightmodel.sensor import Sensor
from lightmodel.targets import WHITE, Patch
from lightmodel.view import View

VIEW = View(width=80, height=40)
ALL = (0.0, 0.0, 1.0, 1.0)


def light(due: np.ndarray, clipped: np.ndarray | None = None) -> truth.Light:
    over = due >= 1.0 if clipped is None else clipped
    exposed = Exposed(due.astype(np.float32), np.zeros(due.shape, np.uint16), over)
    return truth.light_of(exposed, np.full(due.shape, Material.PAPER, np.uint8), Sensor(), VIEW)


def neutral(levels: np.ndarray) -> np.ndarray:
    picture = np.repeat(levels[..., None], 3, axis=2).astype(np.float32)
    return Sensor().signals(picture)


def test_mid_grey_is_zone_5_and_every_doubling_one_more() -> None:
    """Zone V is mid-grey; ISO 12232 puts it 0.18/sqrt(2) under saturation, so white is 7.97."""
    assert truth.zone(MID_GREY) == pytest.approx(5.0)
    assert truth.zone(4.0 * MID_GREY) == pytest.approx(7.0)
    assert truth.zone(1.0) == pytest.approx(7.9739, abs=1e-4)


def test_a_neutral_frame_reads_its_own_level() -> None:
    found = truth.patch(light(neutral(np.full((40, 80), 0.3))), WHITE.patches[0], ALL)
    assert found["zone"] == pytest.approx(5.0 + np.log2(0.3 / MID_GREY), abs=1e-5)
    assert found["headroom"] == pytest.approx(-np.log2(0.3), abs=1e-5)
    assert found["clipped"] == found["blocked"] == 0.0


def test_hair_is_read_at_its_90th_percentile() -> None:
    levels = np.tile(np.repeat(np.linspace(0.05, 0.5, 40), 2), (40, 1))
    hair = Patch("hair", ALL, "hair", 5.0, ())
    found = truth.patch(light(neutral(levels)), hair, ALL)
    share = np.percentile(np.linspace(0.05, 0.5, 40), 90)
    assert found["zone"] == pytest.approx(truth.zone(share), abs=0.02)


def test_clipping_counts_photosites_cells_and_areas_apart() -> None:
    due = np.full((40, 80), 0.5, np.float32)
    due[0:2, 0:2] = 1.2  # one whole cell: 1 of 800, far above the pinpoint limit
    due[10, 10] = 1.2  # one red photosite more
    found = truth.clipping(light(due))
    assert found["any"] == pytest.approx(2 / 800)
    assert found["all"] == pytest.approx(1 / 800)
    assert found["by_colour"] == pytest.approx({"R": 2 / 800, "G": 2 / 1600, "B": 1 / 800})
    assert found["blown_areas"] == 2


def test_cells_that_touch_at_a_corner_are_one_area() -> None:
    due = np.full((40, 80), 0.5, np.float32)
    due[0, 0] = due[2, 2] = 1.2
    assert truth.clipping(light(due))["blown_areas"] == 1


def test_an_area_inside_a_place_that_may_clip_is_not_the_largest_outside() -> None:
    due = np.full((40, 80), 0.5, np.float32)
    due[0:8, 0:8] = 1.2
    assert truth.largest_outside(light(due), ()) == pytest.approx(16 / 800)
    assert truth.largest_outside(light(due), ((0.0, 0.0, 0.2, 0.4),)) == 0.0


def test_left_over_right_is_in_stops() -> None:
    levels = np.full((40, 80), 0.2)
    levels[:, :40] = 0.4
    found = truth.backdrop(light(neutral(levels)), ((0.0, 0.0, 0.3, 1.0), (0.7, 0.0, 1.0, 1.0)))
    assert found["left_right"] == pytest.approx(1.0, abs=1e-5)


def test_a_plane_of_stops_has_its_full_range_as_falloff_and_leaves_nothing() -> None:
    stops = np.tile(np.linspace(-0.5, 0.5, 80), (40, 1))
    found = truth.backdrop(light(neutral(0.2 * 2.0**stops)), (ALL,))
    assert found["falloff"] == pytest.approx(39 / 40 * 80 / 79, abs=0.02)
    assert found["uneven"] < 0.005


@pytest.mark.parametrize(
    ("off", "fails", "close"), [(0.1, False, False), (0.19, False, True), (0.3, True, False)]
)
def test_a_check_fails_beyond_its_limit_and_is_close_near_it(
    off: float, fails: bool, close: bool
) -> None:
    check = expected.Check("patch", "lit cheek", off, -0.3, 0.2)
    assert (check.fails, check.close) == (fails, close)


def test_a_knocked_shutter_fails_by_its_stops() -> None:
    """log2(160/250) = -0.644 stop against a sixth allowed."""
    found = list(expected._setting(Settings(shutter=250)))
    assert [check.of for check in found if check.fails] == ["shutter"]
    assert found[2].off == pytest.approx(-0.643856, abs=1e-6)

"""Boxes that cover two materials are told from light, shade and noise on one."""

from __future__ import annotations

import numpy as np
import pytest

from lightmodel.dng import DngExif, DngSpec, write_dng
from stopwise.plan.model import Plan
from stopwise.plan.sense import check_plan
from stopwise.preparing.patch_edits import doubts_in

BLACK, WHITE, GAIN = 512.0, 16383.0, 2.0
NEUTRAL = {"R": 0.39949 / 1.06266, "G": 1.0, "B": 0.74560 / 1.06266}
PLACES = {(0, 0): "R", (0, 1): "G", (1, 0): "G", (1, 1): "B"}


def frame_of(path, luminance, *, red=None):
    """Write a frame of cells at a luminance (h, w), 1 at white; `red` multiplies red."""
    light = np.empty((2 * luminance.shape[0], 2 * luminance.shape[1]))
    for (row, column), name in PLACES.items():
        tint = red if red is not None and name == "R" else 1.0
        light[row::2, column::2] = luminance * NEUTRAL[name] * tint * (WHITE - BLACK)
    random = np.random.default_rng(5)
    noisy = BLACK + GAIN * random.poisson(light / GAIN) + random.normal(0.0, 4.0, light.shape)
    exif = DngExif(iso=100, f_number=11, shutter_s="1/160")
    levels = np.clip(np.rint(noisy), 0, WHITE).astype(np.uint16)
    write_dng(path, levels, spec=DngSpec(exif=exif))
    return path


def ramp(stops: float) -> np.ndarray:
    across = np.linspace(-stops / 2, stops / 2, 200)[np.newaxis, :]
    return np.broadcast_to(0.12 * 2.0**across, (150, 200))


def half(stops: float, share: float = 0.5) -> np.ndarray:
    picture = np.full((150, 200), 0.2)
    picture[:, : round(200 * share)] *= 2.0**-stops
    return picture


PLAN = Plan(patches=[{"name": "jacket", "box": (0.1, 0.1, 0.9, 0.9), "material": "white cloth"}])


def doubts(tmp_path, luminance, *, red=None, plan=PLAN):
    return list(doubts_in(frame_of(tmp_path / "F1.dng", luminance, red=red))(plan))


@pytest.mark.parametrize("stops", [1.5, 3.0])
@pytest.mark.parametrize("share", [0.5, 0.25])
def test_a_box_on_two_tones_is_found(stops, share, tmp_path):
    found = doubts(tmp_path, half(stops, share))

    assert [doubt.path for doubt in found] == [("patch", 0, "box")]
    assert f"covers two tones in F1.dng, {stops:.1f} stops apart" in found[0].say


def test_a_box_on_two_colours_of_one_tone_is_found(tmp_path):
    red = np.ones((150, 200))
    red[:, :80] = 2.0

    found = doubts(tmp_path, np.full((150, 200), 0.12), red=red)

    assert "covers two" in found[0].say


@pytest.mark.parametrize("stops", [0.0, 0.5, 1.5])
def test_light_that_falls_off_over_one_material_is_none(stops, tmp_path):
    assert doubts(tmp_path, ramp(stops)) == []


def test_hair_is_of_two_tones_by_nature(tmp_path):
    hair = Plan(patches=[{"name": "hair", "box": (0.1, 0.1, 0.9, 0.9), "material": "hair"}])

    assert doubts(tmp_path, half(2.0), plan=hair) == []


def test_boxes_of_the_backdrop_are_looked_at_too(tmp_path):
    plan = Plan(backdrop={"boxes": [(0.0, 0.0, 0.3, 1.0), (0.3, 0.0, 0.9, 1.0)]})

    found = doubts(tmp_path, half(2.0), plan=plan)

    assert [doubt.path for doubt in found] == [("backdrop", "boxes", 1)]


def test_a_box_too_small_to_tell_is_left_in_peace(tmp_path):
    small = Plan(patches=[{"name": "eye", "box": (0.49, 0.49, 0.51, 0.51)}])

    assert doubts(tmp_path, half(2.0), plan=small) == []


def test_the_check_of_a_plan_says_it_with_its_line(tmp_path):
    plan = tmp_path / "plan.toml"
    plan.write_text('[[patch]]\nname = "jacket"\nbox = [0.1, 0.1, 0.9, 0.9]\n', encoding="utf-8")

    found = check_plan(plan, also=doubts_in(frame_of(tmp_path / "F1.dng", half(2.0))))

    assert found.lines[0].startswith("plan.toml:3: Jacket covers two tones")
    assert found.warnings == 1

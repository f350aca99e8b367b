"""The committed sample frames: whole, small, as their recipes make them, and as the truth says."""

from __future__ import annotations

import itertools
import json
import tomllib
from datetime import datetime
from pathlib import Path
from typing import Any

import exifread
import numpy as np
import pytest
import rawpy

from lightmodel import dngfile
from lightmodel.frames import RECIPES, Recipe
from lightmodel.making import Maker, header, rounded
from lightmodel.planfile import plan_text
from lightmodel.sensor import Sensor
from lightmodel.targets import LOOKS
from stopwise.plan import load_plan

FOLDER = Path(__file__).parents[2] / "sample_frames"
WHOLE = [recipe for recipe in RECIPES if recipe.cut is None]
LARGEST_FRAME = 1_600_000
LARGEST_SET = 32_000_000


def recipe(name: str) -> Recipe:
    return next(recipe for recipe in RECIPES if recipe.name == name)


@pytest.fixture(scope="module")
def told() -> dict[str, Any]:
    text = (FOLDER / "truth.json").read_text(encoding="utf-8")
    whole: dict[str, Any] = json.loads(text)
    return whole


@pytest.fixture(scope="module")
def maker() -> Maker:
    return Maker()


def agree(found: Any, committed: Any, where: str = "") -> None:
    """Hold two JSON values against one another, figures within what float32 leaves."""
    if isinstance(committed, dict):
        assert found.keys() == committed.keys(), where
        for key, part in committed.items():
            agree(found[key], part, f"{where}/{key}")
    elif isinstance(committed, list):
        assert len(found) == len(committed), where
        for place, part in enumerate(committed):
            agree(found[place], part, f"{where}/{place}")
    elif isinstance(committed, float):
        assert found == pytest.approx(committed, abs=2e-4, rel=1e-3), where
    else:
        assert found == committed, where


def test_every_frame_is_there_and_fits_its_budget() -> None:
    sizes = {recipe.name: (FOLDER / f"{recipe.name}.dng").stat().st_size for recipe in RECIPES}
    assert max(sizes.values()) <= LARGEST_FRAME
    assert sum(sizes.values()) <= LARGEST_SET


@pytest.mark.parametrize("made", WHOLE, ids=lambda made: made.name)
def test_a_general_decoder_reads_what_the_camera_wrote(made: Recipe) -> None:
    """LibRaw, by way of rawpy, as the independent reader."""
    sensor = Sensor()
    with rawpy.imread(str(FOLDER / f"{made.name}.dng")) as raw:
        assert raw.raw_image_visible.shape == (made.view.height, made.view.width)
        assert raw.black_level_per_channel == list(sensor.black)
        assert raw.white_level == sensor.white
        assert raw.raw_image_visible.max() <= sensor.white
        assert raw.sizes.flip == {1: 0, 6: 6}[made.view.orientation]


@pytest.mark.parametrize("made", WHOLE, ids=lambda made: made.name)
def test_a_general_exif_reader_finds_the_settings_and_the_time(
    made: Recipe, told: dict[str, Any]
) -> None:
    with (FOLDER / f"{made.name}.dng").open("rb") as file:
        tags = exifread.process_file(file, details=False)
    assert str(tags["EXIF ExposureTime"]) == f"1/{made.settings.shutter}"
    assert str(tags["EXIF FNumber"]) == "11"
    assert str(tags["EXIF ISOSpeedRatings"]) == "100"
    taken = datetime.strptime(str(tags["EXIF DateTimeOriginal"]), "%Y:%m:%d %H:%M:%S")  # noqa: DTZ007
    assert taken.isoformat() == told["frames"][f"{made.name}.dng"]["taken"]


def test_frames_follow_one_another_in_time() -> None:
    seconds = [made.seconds for made in RECIPES]
    assert all(later > earlier for earlier, later in itertools.pairwise(seconds))


def test_a_cut_file_is_the_start_of_a_whole_one(tmp_path: Path, maker: Maker) -> None:
    made = next(made for made in RECIPES if made.cut is not None)
    path = tmp_path / "whole.dng"
    mosaic = np.full((64, 64), 2000, np.uint16)
    whole = Recipe("F0099", "", seconds=made.seconds)
    dngfile.write(path, mosaic, whole, maker.sensor)
    length = path.stat().st_size
    dngfile.write(path, mosaic, made, maker.sensor)
    assert path.stat().st_size == int(length * made.cut)


def test_one_frame_made_twice_is_the_same_to_the_byte(tmp_path: Path) -> None:
    made = recipe("F0003")
    paths = [tmp_path / "first.dng", tmp_path / "again.dng"]
    for path in paths:
        exposed, _ = Maker().make(made)
        dngfile.write(path, exposed.mosaic, made, Sensor())
    assert paths[0].read_bytes() == paths[1].read_bytes()


@pytest.mark.parametrize("name", ["F0001", "F0003"])
def test_the_committed_frames_are_those_that_the_recipes_make(
    name: str, maker: Maker, told: dict[str, Any]
) -> None:
    """Other processors round differently in the last bit: levels may differ by their noise then."""
    exposed, frame = maker.make(recipe(name))
    agree(rounded(frame), told["frames"][f"{name}.dng"])
    with rawpy.imread(str(FOLDER / f"{name}.dng")) as raw:
        off = raw.raw_image_visible.astype(float) - exposed.mosaic
    assert np.abs(off).mean() < 1.0


@pytest.mark.slow
def test_the_on_plan_frame_and_its_truth_are_those_that_the_recipes_make(
    maker: Maker, told: dict[str, Any]
) -> None:
    exposed, frame = maker.make(recipe("F0011"))
    agree(rounded(frame), told["frames"]["F0011.dng"])
    with rawpy.imread(str(FOLDER / "F0011.dng")) as raw:
        off = raw.raw_image_visible.astype(float) - exposed.mosaic
    assert np.abs(off).mean() < 1.0


def test_the_truth_s_head_is_the_camera_s(told: dict[str, Any]) -> None:
    agree(rounded(header(Sensor())), {key: told[key] for key in told if key != "frames"})
    assert list(told["frames"]) == [f"{made.name}.dng" for made in RECIPES]


def test_the_committed_plan_is_the_one_that_the_set_writes() -> None:
    assert (FOLDER / "plan.toml").read_text(encoding="utf-8") == plan_text()


def test_the_plan_is_read_without_a_word() -> None:
    plan = load_plan(FOLDER / "plan.toml")
    assert [light.name for light in plan.lights] == list(plan.frames.solo)
    assert {look.name for look in plan.looks} == {name for name in LOOKS if name}
    assert plan.frames.reference == "F0011.dng"


def test_the_plan_s_frames_are_beside_it() -> None:
    frames = tomllib.loads((FOLDER / "plan.toml").read_text(encoding="utf-8"))["frames"]
    named = {name for key, name in frames.items() if key != "solo"} | set(frames["solo"].values())
    assert all((FOLDER / name).is_file() for name in named)


EXPECTED = {
    "F0009": {"lit cheek", "brow", "jacket", "mask", "chip", "lit cheek to shadow cheek", "frame"},
    "F0010": {"lit cheek", "brow", "jacket", "mask", "chip", "lit cheek to shadow cheek"},
    "F0011": set(),
    "F0012": {"hair", "hair to backdrop"},
    "F0013": {"backdrop zone", "backdrop left_right"},
    "F0015": {"lit cheek"},
    "F0016": set(),
    "F0017": {"lit cheek", "brow"},
    "F0018": set(),
    "F0019": set(),
    "F0020": {"shutter", "frame"},
}
"""What each frame was made to fail, by hand: nothing else may."""


@pytest.mark.parametrize("name", EXPECTED)
def test_a_frame_fails_in_what_it_was_made_to_fail_and_in_nothing_else(
    name: str, told: dict[str, Any]
) -> None:
    frame = told["frames"][f"{name}.dng"]
    assert {check["of"] for check in frame["failing"]} == EXPECTED[name]
    assert frame["verdict"] == ("off plan" if EXPECTED[name] else "on plan")


def test_frames_that_are_on_plan_are_so_with_room_to_spare(told: dict[str, Any]) -> None:
    for frame in told["frames"].values():
        if frame["verdict"] == "on plan":
            assert frame["close"] == []


def test_the_hot_centre_hides_from_the_median_and_shows_in_the_headroom(
    told: dict[str, Any],
) -> None:
    """A median on plan at 6.5 under a centre 1.4 stops over leaves about 0.23 stop to clip."""
    cheek = told["frames"]["F0015.dng"]["patches"]["lit cheek"]
    assert cheek["zone"] == pytest.approx(6.5, abs=0.05)
    assert cheek["top"] - cheek["zone"] == pytest.approx(1.35, abs=0.1)
    assert cheek["headroom"] == pytest.approx(0.23, abs=0.05)
    assert cheek["clipped"] == 0.0


def test_a_frame_with_no_lamp_fired_is_the_ambient_frame_again(told: dict[str, Any]) -> None:
    none, ambient = (told["frames"][f"{name}.dng"]["patches"] for name in ("F0014", "F0002"))
    for name, figures in ambient.items():
        assert none[name]["zone"] == pytest.approx(figures["zone"], abs=1e-6)


def test_ambient_light_is_under_three_per_cent_of_every_lit_patch(told: dict[str, Any]) -> None:
    """Common practice: above 3 % of a shadow patch the room counts."""
    full, ambient = (told["frames"][f"{name}.dng"]["patches"] for name in ("F0011", "F0002"))
    for name, figures in full.items():
        assert 2.0 ** (ambient[name]["zone"] - figures["zone"]) < 0.03

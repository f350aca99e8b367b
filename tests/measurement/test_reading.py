"""A whole frame's measurement: made raws of every mosaic, light from a formula, a real file."""

from __future__ import annotations

import math
from dataclasses import asdict, replace

import numpy as np
import pytest

from lightmodel.dng import write_dng
from stopwise import decode, judge, measure
from stopwise.errors import WrongUse
from stopwise.frame import Camera, Exposure
from stopwise.measurement import Known, read
from stopwise.plan import Plan
from stopwise.record import recorded
from stopwise.stops import luminance_of_zone
from support.light_frames import COLOURS, Sensor, exact, expose
from support.made_raws import BLACK, GAIN, KINDS, PLANES, WHITE
from support.real_files import real_mosaic


def plan(**tables):
    return Plan.model_validate({"schema": 1, **tables})


def two_patches(**camera):
    return plan(
        camera=camera,
        patch=[
            {"name": "lit", "box": [0.55, 0.1, 0.95, 0.9]},
            {"name": "shadow", "box": [0.05, 0.1, 0.45, 0.9]},
        ],
        ratio=[{"lit": "lit", "shadow": "shadow", "stops": 2.0}],
    )


def two_sides(shadow=4.0, lit=6.0, shape=(240, 360)):
    light = np.full(shape, luminance_of_zone(shadow))
    light[:, shape[1] // 2 :] = luminance_of_zone(lit)
    return light


@pytest.mark.parametrize("kind", KINDS)
def test_a_raw_of_every_kind_reads_its_zones_within_three_hundredths(tmp_path, kind):
    # steps of light, the same in every colour: what a neutral isn't, so Y is read from its colours
    steps = np.tile(np.geomspace(60.0, 9000.0, 6).repeat(72), (432, 1))
    rng = np.random.default_rng(1)
    planes = PLANES.get(kind)
    whole = steps if planes is None else np.repeat(steps[..., None], planes, axis=2)
    levels = BLACK + GAIN * rng.poisson(whole / GAIN) + rng.normal(0.0, 4.0, whole.shape)
    path = tmp_path / "made.dng"
    mosaic = np.clip(np.rint(levels), 0, WHITE).astype(np.uint16)
    write_dng(path, mosaic, spec=KINDS[kind])
    patches = [
        {"name": f"step {n}", "box": [(n + 0.1) / 6, 0.1, (n + 0.9) / 6, 0.9]} for n in range(6)
    ]
    reading = read(decode(path), plan(patch=patches))
    balance = np.array(reading.ground.cells.multipliers) @ np.array(reading.ground.cells.weights)
    for n, signal in enumerate(np.geomspace(60.0, 9000.0, 6)):
        patch = reading.measurement.patches[f"step {n}"]
        bright = balance if kind != "monochrome" else 1.0
        zone = 5.0 + math.log2(bright * signal / (WHITE - BLACK) / 0.1272792)
        assert patch.zone == pytest.approx(zone, abs=0.03 + patch.uncertainty)


def test_the_real_file_is_dark_noisy_and_hardly_clipped():
    # the source archive of libraw-cffi 0.19.0 carries it: ISO 3200, white 16383, per-channel white
    # 15360, photosites up to 16628
    frame = decode(real_mosaic())
    reading = read(frame)
    levels = reading.measurement.levels
    assert levels.anchor == (15360.0,) * 4
    assert all(15360.0 <= level <= 16628.0 for level in levels.saturation)
    assert reading.measurement.clipping.areas == ()
    assert reading.measurement.clipping.any < 1e-4
    zones = reading.measurement.zones
    assert zones.share is not None
    assert sum(zones.share) + zones.clipped == pytest.approx(1.0)


@pytest.mark.parametrize("kind", COLOURS)
def test_a_ratio_between_two_patches_is_in_stops_in_every_mosaic(kind):
    frame, _ = expose(two_sides(), Sensor(kind))
    ratio = measure(frame, two_patches()).ratios[0]
    assert ratio.by == "patches"
    assert ratio.stops == pytest.approx(2.0, abs=0.002 + 3.0 * ratio.uncertainty)
    assert ratio.ratio == pytest.approx(4.0, rel=0.02)


@pytest.mark.parametrize("stops", [-2, -1, 1])
def test_a_ratio_stays_whatever_the_exposure(stops):
    light = two_sides()
    first, other = (
        measure(exact(light * 2.0**k), two_patches()).ratios[0].stops for k in (0, stops)
    )
    assert other == pytest.approx(first, abs=0.002)


def test_without_a_plan_the_subject_is_split():
    frame, _ = expose(two_sides())
    ratio = measure(frame).ratios[0]
    assert ratio.by == "split"


def subject_of_two(red_of_dark):
    """Return a frame of a warm subject before even paper, half of it two stops darker."""
    light = np.full((360, 540), luminance_of_zone(4.0))
    light[120:, 180:270], light[120:, 270:360] = luminance_of_zone(4.5), luminance_of_zone(6.5)
    frame, _ = expose(light, Sensor(gain=1.0))
    mosaic = frame.mosaic.astype(np.float64)
    mosaic[120::2, 180:360:2] = 512 + (mosaic[120::2, 180:360:2] - 512) * 1.3
    mosaic[120::2, 180:270:2] = 512 + (mosaic[120::2, 180:270:2] - 512) * red_of_dark
    return replace(frame, mosaic=np.rint(mosaic).astype(np.uint16))


def test_with_no_patches_lit_and_shadow_of_one_material_make_a_ratio():
    ratio = measure(subject_of_two(1.0)).ratios[0]
    assert ratio.by == "split"
    assert ratio.stops == pytest.approx(2.0, abs=0.03)


def test_with_no_patches_pale_and_dark_material_of_other_tints_make_none():
    # a cool dark cloth beside warm skin under even light: half a stop less red
    ratio = measure(subject_of_two(0.7)).ratios[0]
    assert (ratio.stops, ratio.why) == (None, "other_stuff")


def test_a_flat_lit_subject_answers_not_seen():
    light = np.full((360, 540), luminance_of_zone(4.0))
    light[120:, 180:360] = luminance_of_zone(6.0)
    ratio = measure(expose(light, Sensor(gain=1.0))[0]).ratios[0]
    assert (ratio.stops, ratio.why) == (None, "one_heap")


def test_a_ratio_with_a_clipped_side_is_not_seen():
    frame, _ = expose(two_sides(lit=10.0))
    ratio = measure(frame, two_patches()).ratios[0]
    assert (ratio.stops, ratio.why) == (None, "patch_not_seen")


def test_zones_wait_for_their_own_camera_and_all_else_goes_on():
    frame, _ = expose(two_sides(), camera=Camera("Lumenfold", "LF-2"), exposure=Exposure(iso=100.0))
    calibrated = two_patches(mid_grey=0.14, mid_grey_model="LF-1", mid_grey_iso=100)
    measured = measure(frame, calibrated)
    assert measured.zones.share is None
    assert measured.clipping.blocked is None
    assert measured.patches["lit"].zone is None
    assert measured.patches["lit"].why["zone"] == "other_camera"
    assert measured.ratios[0].stops == pytest.approx(2.0, abs=0.01)


def test_learning_where_photosites_stop_moves_no_tone():
    frame, _ = expose(two_sides())
    before = measure(frame, two_patches())
    learned = Known(learned=dict.fromkeys(("R", "G", "B", "G2"), 15000.0))
    after = measure(frame, two_patches(), known=learned)
    assert after.levels.saturation_source == "learned"
    assert after.zones == before.zones
    for name, patch in before.patches.items():
        assert after.patches[name].zone == patch.zone
        assert after.patches[name].headroom < patch.headroom


def test_the_plans_raw_level_overrules_the_files():
    frame, _ = expose(two_sides())
    measured = measure(frame, two_patches(raw_clip=8000.0))
    assert measured.levels.saturation == (8000.0,) * 4
    assert measured.levels.saturation_source == "plan"


def test_a_patch_of_hair_is_read_at_its_90th_percentile():
    rng = np.random.default_rng(1)
    strands = rng.random((120, 180)).repeat(2, 0).repeat(2, 1) < 0.3
    light = np.where(strands, luminance_of_zone(6.0), luminance_of_zone(3.0))
    box = {"box": [0.1, 0.1, 0.9, 0.9]}
    targets = plan(patch=[{"name": "hair", "material": "hair", **box}, {"name": "cloth", **box}])
    patches = measure(expose(light)[0], targets).patches
    assert patches["hair"].zone == pytest.approx(6.0, abs=0.02)
    assert patches["cloth"].zone == pytest.approx(3.0, abs=0.02)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_boxes_are_those_of_the_upright_picture(orientation):
    frame, _ = expose(two_sides(shape=(360, 360)))
    turned = replace(frame, orientation=orientation)
    upright = turned.upright(two_sides(shape=(360, 360)))
    box = [0.1, 0.6, 0.4, 0.9]
    zone = measure(turned, plan(patch=[{"name": "a", "box": box}])).patches["a"].zone
    assert zone == pytest.approx(5.0 + math.log2(upright[270, 90] / 0.1272792), abs=0.01)


@pytest.mark.parametrize("kind", COLOURS)
@pytest.mark.parametrize("light", [0.0, 0.001, 0.2, 5.0])
def test_every_figure_of_any_frame_is_finite_or_none(kind, light):
    frame, _ = expose(np.full((96, 144), light), Sensor(kind))
    backdrop = {"boxes": [[0.0, 0.0, 0.3, 0.6], [0.7, 0.0, 1.0, 0.6]]}
    targets = two_patches().model_dump(by_alias=True) | {"backdrop": backdrop}
    measured = measure(frame, Plan.model_validate(targets))
    assert all(math.isfinite(number) for number in numbers(asdict(measured)))


def numbers(value):
    if isinstance(value, dict):
        for part in value.values():
            yield from numbers(part)
    elif isinstance(value, list | tuple):
        for part in value:
            yield from numbers(part)
    elif isinstance(value, float):
        yield value


def test_its_json_is_the_records_part_of_it():
    light = two_sides()
    light[:40, :40] = 4.0  # a blown area
    frame, _ = expose(light, camera=Camera("Lumenfold", "LF-1"), exposure=Exposure(iso=100.0))
    backdrop = {"boxes": [[0.0, 0.0, 0.3, 0.6], [0.7, 0.0, 1.0, 0.6]]}
    wanted = two_patches().model_dump(by_alias=True) | {"backdrop": backdrop}
    measured = measure(frame, Plan.model_validate(wanted))
    record = recorded("F0001.dng", measured, judge(measured, None)).to_json()
    parts = measured.to_json()
    assert parts == {name: record[name] for name in parts}
    assert {*record} - {*parts} == {
        *("schema", "file", "sha256", "verdict", "reason", "because", "take", "look", "in_run"),
        *("level", "lamps", "findings", "turns", "timing_ms"),
    }


def test_a_measurement_is_judged_by_the_look_it_was_measured_with_only():
    looks = [{"name": "coat", "patch": [{"name": "lit", "box": [0.6, 0.2, 0.9, 0.8]}]}]
    tables = two_patches().model_dump(by_alias=True) | {"look": looks}
    targets = Plan.model_validate(tables)
    frame, _ = expose(two_sides())
    coat, own = measure(frame, targets, look="coat"), measure(frame, targets)
    assert (coat.look, own.look) == ("coat", None)
    judge(coat, targets, look="coat")
    with pytest.raises(WrongUse, match='measured with look "coat"'):
        judge(coat, targets)
    with pytest.raises(WrongUse, match="measured with the plan's own patches"):
        judge(own, targets, look="coat")

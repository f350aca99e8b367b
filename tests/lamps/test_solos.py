"""Solos: reduced, brought to one exposure, ambient taken off, kept as bytes."""

from __future__ import annotations

import pickle
from dataclasses import replace

import numpy as np
import pytest

from stopwise.frame import Exposure
from stopwise.lamps.solos import exposure_stops, lamp_set
from stopwise.pipeline.solo_pictures import as_kept, from_blob, to_blob
from support.lit_sets import EXPOSURE, WEIGHTS, LitSet, reduced


def test_the_luminance_of_a_sum_is_the_sum_of_luminances():
    made = LitSet(noise=False)
    one, two = made.solos["key"], made.solos["fill"]
    assert one.luminance + two.luminance == pytest.approx(
        np.tensordot(WEIGHTS, one.mean + two.mean, axes=1), abs=1e-6
    )


@pytest.mark.parametrize(
    ("changed", "shutter", "stops"),
    [
        ({"iso": 200.0}, False, 1.0),
        ({"f_number": 8.0}, False, 1.0),  # marks stand for exact stops, ISO 517
        ({"f_number": 5.596}, False, 2.0),  # how APEX rounding stores f/5.6
        ({"iso": 125.0}, False, 1 / 3),
        ({"f_number": 22.0}, False, -2.0),
        ({"shutter_s": 1 / 80}, False, 0.0),
        ({"shutter_s": 1 / 80}, True, 1.0),
        ({"f_number": 11.3}, False, 0.0),  # files round f/11.3137, the mark f/11
        ({"iso": None}, False, 0.0),
    ],
)
def test_settings_record_more_or_less_light_as_apex_says(changed, shutter, stops):
    now = replace(EXPOSURE, **changed)
    assert exposure_stops(EXPOSURE, now, shutter=shutter) == pytest.approx(stops, abs=1e-5)


def test_a_solo_at_another_iso_is_brought_to_the_others_with_a_note():
    made = LitSet(noise=False)
    solos = dict(made.solos)
    faster = replace(EXPOSURE, iso=200.0)
    solos["fill"] = made.picture(2.0 * made.light(out=("key", "hair", "paper left", "paper right")))
    solos["fill"] = replace(solos["fill"], exposure=faster)
    lamps = lamp_set(solos, made.ambient)
    usual = made.lamp_set
    assert lamps.nets["fill"].mean == pytest.approx(usual.nets["fill"].mean, abs=1e-5)
    assert [(one.code, one.lamp, one.stops) for one in lamps.notes] == [("settings", "fill", -1.0)]


def test_the_ambient_is_taken_off_each_solo():
    made = LitSet(noise=False)
    dark = (slice(None), slice(0, 20), slice(0, 20))  # the key's cone doesn't reach here
    with_it = lamp_set(made.solos, made.ambient)
    assert np.abs(with_it.nets["hair"].mean[dark]).max() < 1e-6
    without = lamp_set(made.solos)
    assert without.nets["hair"].mean[dark].min() > 1e-3
    assert [one.code for one in without.notes] == ["no ambient"]


def test_a_burning_lamp_follows_the_shutter_and_a_flash_does_not():
    made = LitSet(noise=False)
    solos = {name: made.solos[name] for name in ("key", "fill")}
    longer = replace(EXPOSURE, shutter_s=1 / 40)
    lamps = lamp_set(solos, None, exposure=longer, continuous=("fill",))
    assert lamps.nets["fill"].mean == pytest.approx(4.0 * solos["fill"].mean, rel=1e-5)
    assert lamps.nets["key"].mean == pytest.approx(solos["key"].mean)


def test_no_solo_at_all_is_refused():
    with pytest.raises(ValueError, match="at least one solo"):
        lamp_set({})


def test_pictures_cross_processes_and_caches_whole():
    made = LitSet(seed=3)
    picture = made.solos["key"]
    for back in (pickle.loads(pickle.dumps(picture)), from_blob(to_blob(picture))):  # noqa: S301
        assert back.mean == pytest.approx(picture.mean, rel=1e-3, abs=1e-6)
        assert back.boxes["chip"].light == pytest.approx(picture.boxes["chip"].light)
        assert (back.exposure, back.camera, back.cells) == (
            picture.exposure,
            picture.camera,
            picture.cells,
        )
        assert np.array_equal(back.boxes["jacket"].clipped, picture.boxes["jacket"].clipped)


def test_light_as_kept_is_the_light_that_its_bytes_give_back():
    picture = LitSet(seed=3).solos["key"]
    kept, back = as_kept(picture), from_blob(to_blob(picture))
    for plane in ("mean", "noise", "clipped", "blocked"):
        assert np.array_equal(getattr(kept, plane), getattr(back, plane))
    assert not np.array_equal(kept.mean, picture.mean)


def test_a_solo_of_24_megapixels_takes_little_room():
    rng = np.random.default_rng(4)
    cells = rng.normal(0.2, 0.01, (3, 2000, 3000)).astype(np.float32)
    boxes = {f"patch {i}": (0.1 * i, 0.2, 0.1 * i + 0.03, 0.25) for i in range(8)}
    picture = reduced(cells, boxes=boxes)
    assert len(to_blob(picture)) < 2_000_000


@pytest.mark.parametrize("harm", [lambda b: b[: len(b) // 2], lambda _: b"nothing", lambda _: b""])
def test_harmed_bytes_are_refused(harm):
    blob = to_blob(LitSet(noise=False).ambient)
    with pytest.raises(ValueError, match="no grid of light"):
        from_blob(harm(blob))


def test_bytes_of_another_form_are_refused(monkeypatch):
    blob = to_blob(LitSet(noise=False).ambient)
    monkeypatch.setattr("stopwise.pipeline.solo_pictures.FORM", 5)
    with pytest.raises(ValueError, match="form 4, 5 is read"):
        from_blob(blob)


def test_settings_that_a_file_does_not_name_count_as_equal():
    assert exposure_stops(Exposure(), EXPOSURE, shutter=True) == 0.0

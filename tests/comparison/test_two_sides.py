"""What a comparison makes of two sides: settings, shares, colour and framing, answers known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, shift

from stopwise.comparison.changes import KnownSet
from stopwise.comparison.field import difference_field, field_of_moved
from stopwise.comparison.framing import framing_of_pictures
from stopwise.comparison.sides import side_of
from stopwise.comparison.two_sides import compare
from stopwise.messages import say
from stopwise.stops import stops_of_distance
from support.records import kept, patch

BOX = (0.4, 0.4, 0.5, 0.5)
EXPOSURE = {"iso": 100, "f_number": 11.0, "shutter_s": 1 / 160, "taken": None}


def side(stops, *, key=None, exposure=None, name="F1.dng", **colour):
    """Return a side whose patches lie so many stops off -2."""
    patches = {
        f"patch {at}": patch(6.0 + one, BOX, log2_y=-2.0 + one, score=0.9, **colour)
        for at, one in enumerate(stops)
    }
    lamps = {} if key is None else {"key": {"stops": key, "uncertainty": 0.02, "state": "fired"}}
    settings = {**EXPOSURE, **(exposure or {})}
    return side_of(kept(file=name, patches=patches, lamps=lamps, exposure=settings))


def failing(comparison):
    return [one for one in comparison.findings if one.state == "fails"]


def test_the_shutter_comes_off_the_ambient_part_alone():
    """A fifth of the light burns; at half the time it halves: log2(0.8 + 0.2 / 2)."""
    known = KnownSet(shares={"patch 0": {"key": 0.8, "ambient": 0.2}})
    change = math.log2(0.9)
    one = compare(side([0.0]), side([change], exposure={"shutter_s": 1 / 320}), known=known)
    assert one.settings.flash_stops == 0.0
    assert one.patches["patch 0"].stops == pytest.approx(0.0, abs=1e-6)


def test_under_lamps_that_burn_the_shutter_comes_off_in_full():
    known = KnownSet(all_steady=True)
    one = compare(side([0.0]), side([1.0], exposure={"shutter_s": 1 / 80}), known=known)
    assert one.patches["patch 0"].stops == pytest.approx(0.0, abs=1e-6)


def test_a_shutter_whose_ambient_share_is_unknown_is_said_and_left_in():
    one = compare(side([0.0]), side([0.1], exposure={"shutter_s": 1 / 80}))
    [said] = [finding for finding in one.findings if finding.of == "shutter"]
    assert said.code == "changed_left_in"
    assert one.patches["patch 0"].stops == pytest.approx(0.1)


@pytest.mark.parametrize(("end", "stops"), [(2.0, -2.0), (0.5, 2.0), (3.0, -3.169925)])
def test_a_lamp_that_was_carried_changes_by_the_inverse_square(end, stops):
    """CIE photometric distance law: 1 m to 2 m is two stops less, to 3 m 3.17."""
    assert stops_of_distance(1.0, end) == pytest.approx(stops, abs=1e-5)
    known = KnownSet(shares={"patch 0": {"key": 1.0}}, turned={"key": stops_of_distance(1.0, end)})
    one = compare(side([0.0], key=0.0), side([stops], key=stops), known=known)
    assert one.patches["patch 0"].expected == pytest.approx(stops, abs=1e-5)
    assert one.agrees


def test_adding_two_equal_lamps_and_turning_one_off_is_one_stop():
    """f/8 and f/8 add to f/11.3: one stop; a turn of -60 stands for a lamp that is off."""
    known = KnownSet(shares={"patch 0": {"key": 0.5, "fill": 0.5}}, turned={"fill": -60.0})
    one = compare(side([0.0]), side([-1.0]), known=known)
    assert one.patches["patch 0"].expected == pytest.approx(-1.0, abs=1e-9)


def test_a_lamp_whose_light_goes_bluer_with_its_power_is_said():
    known = KnownSet(shares={"patch 0": {"key": 0.9, "fill": 0.1}})
    before = side([0.0], key=0.0, blue_green=-0.2)
    after = side([-2.0], key=-2.2, blue_green=-0.08)
    [said] = [one for one in compare(before, after, known=known).findings if one.code == "bluer"]
    assert say(said) == "Key down 2.2: its light 0.12 bluer (B/G)."
    assert said.measured == pytest.approx(0.12)


def test_without_solos_all_patches_changing_alike_is_one_finding_and_no_lamp():
    one = compare(side([0.0] * 4), side([0.5, 0.52, 0.48, 0.5]))
    [said] = [finding for finding in one.findings if finding.check == "exposure"]
    assert said.measured == pytest.approx(0.5)
    assert one.lamps == {}


def test_one_uncertain_lamp_is_not_blamed():
    lamps = {"key": {"stops": 0.3, "uncertainty": 0.3, "state": "fired"}}
    after = side_of(kept(patches={}, lamps=lamps))
    known = KnownSet(turned={})
    assert failing(compare(side([], key=0.0), after, known=known)) == []


def scene(seed=4):
    """Return a textured picture with a sitter, and a chip of the set beside him."""
    rng = np.random.default_rng(seed)
    light = 0.05 * 2.0 ** gaussian_filter(rng.normal(0.0, 0.3, (240, 320)), 2.0)
    sitter = 0.2 * 2.0 ** gaussian_filter(rng.normal(0.0, 4.0, (240, 320)), 3.0)
    light[60:200, 110:200] = sitter[60:200, 110:200]
    light[90:110, 250:265] = 0.3
    return light


SITTER = [(0.4, 0.35, 0.55, 0.7)]
CHIP = [(0.79, 0.39, 0.82, 0.45)]


def test_a_change_of_power_is_no_change_of_framing():
    assert framing_of_pictures(scene(), 2.0**-0.7 * scene(), SITTER, CHIP).who == "nobody"


def test_a_camera_that_moved_is_told_from_a_sitter_who_did():
    panned = shift(scene(), (0.0, 12.0), mode="nearest")
    found = framing_of_pictures(scene(), panned, SITTER, CHIP)
    assert found.who == "camera"
    assert found.right == pytest.approx(12 / 320, abs=0.004)
    walked = panned.copy()
    walked[:, 225:] = scene()[:, 225:]
    assert framing_of_pictures(scene(), walked, SITTER, CHIP).who == "sitter"
    assert framing_of_pictures(scene(), walked, SITTER).who == "unknown"


def test_the_map_takes_settings_out_and_leaves_the_dark_alone():
    before = np.full((40, 60), 0.1)
    before[:, :20] = 1e-6
    field = difference_field(before, before * 2.0, settings_stops=1.0)
    assert np.abs(field).max() < 1e-9
    assert difference_field(before, before[:, 1:]) is None


def test_the_map_of_a_moved_camera_shows_light_and_not_the_move():
    moved = 0.5 * shift(scene(), (0.0, 12.0), mode="nearest")
    framing = framing_of_pictures(scene(), moved, SITTER, CHIP)
    field = field_of_moved((scene(), moved), framing)
    inner = field[20:-20, 40:-40]
    assert np.median(inner) == pytest.approx(-1.0, abs=0.02)
    assert np.percentile(np.abs(inner + 1.0), 95) < 0.2

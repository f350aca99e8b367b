"""The rendered light: lamps add, turns scale, shadows fall away from the lamp, a head turns."""

from __future__ import annotations

import numpy as np
import pytest

from lightmodel import studio, truth
from lightmodel.frames import (
    ON,
    RECIPES,
    Darkroom,
    Recipe,
    Settings,
    Shutter,
    enlarged,
    light_on_sensor,
)
from lightmodel.making import CARD_BOX
from lightmodel.render import MID_GREY, render
from lightmodel.scene import Card, Material, Scene
from lightmodel.shoots import Shoot, hidden_turns, made_shoot
from lightmodel.targets import HAIR, LIT, SHADOW, WHITE
from lightmodel.view import View

TINY = View(width=160, height=120)
SMALL = View(width=480, height=360)


@pytest.fixture(scope="module")
def shoot() -> Shoot:
    return Shoot(view=SMALL)


@pytest.fixture(scope="module")
def zones(shoot: Shoot) -> dict[str, float]:
    found = shoot.patches(shoot.frame())
    return {name: figures["zone"] for name, figures in found.items()}


def test_the_full_set_is_the_sum_of_the_solos(shoot: Shoot) -> None:
    """Superposition: light is linear, so solos less ambient add up to the full set less ambient."""
    ambient = shoot.ambient().exposed.due
    solos = [shoot.solo(name).exposed.due - ambient for name in shoot.names]
    full = shoot.frame().exposed.due
    assert np.abs(full - ambient - np.sum(solos, axis=0)).max() < 1e-5


def test_turned_lamps_add_up_with_their_powers(shoot: Shoot) -> None:
    turns = hidden_turns(shoot, seed=4)
    ambient = shoot.ambient().exposed.due
    parts = [2.0**stops * (shoot.solo(name).exposed.due - ambient) for name, stops in turns.items()]
    turned = shoot.frame(turns).exposed.due
    assert np.abs(turned - ambient - np.sum(parts, axis=0)).max() < 1e-4


def test_lamps_add_in_recorded_levels_within_their_noise(shoot: Shoot) -> None:
    """Raw levels above black add where nothing clips; the variances of the parts add too."""
    frames = [shoot.solo("key"), shoot.solo("fill"), shoot.ambient()]
    both = shoot.frame({"key": 0.0, "fill": 0.0})
    unclipped = ~np.logical_or.reduce([shot.exposed.clipped for shot in (*frames, both)])
    key, fill, ambient, sum_ = (
        shot.exposed.mosaic.astype(float)[unclipped] for shot in (*frames, both)
    )
    left = sum_ - (key + fill - ambient)
    gain = 1.0 / shoot.sensor.electrons_per_level
    black = np.mean(shoot.sensor.black)
    signals = sum(np.mean(part) - black for part in (key, fill, ambient, sum_))
    variance = gain * signals + 4.0 * (gain**2 * shoot.sensor.read_noise_e**2 + 1.0 / 12.0)
    assert abs(left.mean()) < 4.0 * np.sqrt(variance / left.size)
    assert left.var() == pytest.approx(variance, rel=0.03)


def test_one_stop_off_all_lamps_moves_every_zone_by_one(shoot: Shoot) -> None:
    down = shoot.frame(dict.fromkeys(shoot.names, -1.0))
    ambient = shoot.ambient()
    plain = shoot.frame().light.luminance - ambient.light.luminance
    dimmed = down.light.luminance - ambient.light.luminance
    lit = (plain > 0.01) & (plain < 0.8)
    assert np.log2(dimmed[lit] / plain[lit]) == pytest.approx(-1.0, abs=2e-3)


@pytest.mark.parametrize(
    ("settings", "flash_stops", "steady_stops"),
    [
        (Settings(f_number=8.0), 0.918863, 0.918863),
        (Settings(iso=200), 1.0, 1.0),
        (Settings(shutter=80), 0.0, 1.0),
    ],
)
def test_settings_act_on_flash_and_steady_light_as_they_do_on_a_set(
    settings: Settings, flash_stops: float, steady_stops: float
) -> None:
    """2 log2(11/8), log2(200/100); the shutter acts on steady light only (common practice)."""
    assert np.log2(settings.flash_gain) == pytest.approx(flash_stops, abs=1e-5)
    assert np.log2(settings.ambient_gain) == pytest.approx(steady_stops, abs=1e-5)


def test_the_paper_is_symmetrical_under_equal_lamps_at_equal_distance(shoot: Shoot) -> None:
    assert abs(shoot.backdrop(shoot.plate())["left_right"]) < 0.03


def test_more_from_the_right_lamp_brightens_the_right_of_the_paper(shoot: Shoot) -> None:
    turned = shoot.backdrop(shoot.frame({**ON, "paper right": 0.5}))
    even = shoot.backdrop(shoot.frame())
    assert -0.5 < turned["left_right"] - even["left_right"] < -0.2


def test_a_card_in_the_key_at_f_11_lies_at_mid_grey_only_when_it_faces_the_lamp() -> None:
    """Lambert's cosine law: square to the camera it reads log2(cos 60 cos 35) = -1.288 stop."""
    recipe = next(recipe for recipe in RECIPES if recipe.role == "grey")
    card = recipe.scene.card
    assert card is not None
    levels = []
    for facing in (card.facing, (0.0, 0.0, 1.0)):
        scene = Scene(pose=None, card=Card(card.centre, facing), chip_facing=None)
        shot = Shoot(view=SMALL).frame(recipe.turns, scene=scene)
        window = truth.window(CARD_BOX, shot.light.luminance.shape)
        levels.append(float(np.median(shot.light.luminance[window])))
    assert levels[0] == pytest.approx(MID_GREY, rel=2e-3)
    assert np.log2(levels[1] / levels[0]) == pytest.approx(-1.288, abs=0.02)


def test_the_head_turned_10_degrees_lifts_the_cheek_as_the_cosine_law_says(
    shoot: Shoot, zones: dict[str, float]
) -> None:
    """Cos 50 / cos 60 = +0.36 stop for the key alone; fill and tilt take a little off it."""
    turned = shoot.patches(shoot.frame(scene=shoot.moved(head_turn_deg=10.0)))
    assert turned[LIT]["zone"] - zones[LIT] == pytest.approx(0.34, abs=0.07)
    for still in ("jacket", "mask", "chip"):
        assert turned[still]["zone"] == pytest.approx(zones[still], abs=0.05)


def test_a_head_turned_away_loses_light_on_the_lit_cheek(
    shoot: Shoot, zones: dict[str, float]
) -> None:
    turned = shoot.patches(shoot.frame(scene=shoot.moved(head_turn_deg=-10.0)))
    assert turned[LIT]["zone"] < zones[LIT] - 0.3


def test_patches_move_with_the_sitter_by_as_much_as_he_does(shoot: Shoot) -> None:
    """Similar triangles: 8 cm at 3 m from the lens, a picture 1 m wide there."""
    moved = shoot.patches(shoot.frame(scene=shoot.moved(right_m=-0.08)))
    for patch in WHITE.patches:
        shift = moved[patch.name]["box"][0] - patch.box[0]
        assert shift == pytest.approx(0.0 if patch.part is None else -0.08, abs=0.012)


def test_a_moved_sitter_keeps_his_tones_where_the_beam_is_even(
    shoot: Shoot, zones: dict[str, float]
) -> None:
    moved = shoot.patches(shoot.frame(scene=shoot.moved(right_m=-0.08)))
    for name in (LIT, SHADOW, "jacket"):
        assert moved[name]["zone"] == pytest.approx(zones[name], abs=0.25)


def test_the_hair_lamp_lights_the_hair_and_leaves_the_face(
    shoot: Shoot, zones: dict[str, float]
) -> None:
    without = shoot.patches(shoot.frame({name: 0.0 for name in shoot.names if name != "hair"}))
    assert without[HAIR]["zone"] < zones[HAIR] - 0.8
    assert without[LIT]["zone"] == pytest.approx(zones[LIT], abs=0.01)


def test_the_far_side_of_the_nose_lies_in_the_key_s_shadow(shoot: Shoot) -> None:
    key = shoot.solo("key").light
    full = shoot.frame().light
    rows, columns = truth.window(WHITE.patch(SHADOW).box, full.luminance.shape)
    share = key.luminance[rows, columns] / full.luminance[rows, columns]
    assert np.median(share) < 0.03


def test_the_shutter_hides_its_share_of_the_flash_and_none_of_the_room(shoot: Shoot) -> None:
    shots = shoot.frame(shutter=Shutter(covered=0.25)), shoot.frame(), shoot.ambient()
    covered, open_, dark = (shot.exposed.due for shot in shots)
    above, below = int(0.73 * len(covered)), int(0.77 * len(covered))
    assert np.array_equal(covered[below:], dark[below:])
    assert np.array_equal(covered[:above], open_[:above])


def test_a_slow_flash_slopes_by_its_stops_along_the_travel() -> None:
    share = Shutter(tail_stops=0.29).share(1000)
    slope = np.polyfit(np.linspace(0.0, 1.0, 1000), np.log2(share), 1)[0]
    assert slope == pytest.approx(-0.29, abs=1e-3)


def test_an_upright_camera_sees_the_same_light_turned() -> None:
    level = render(Scene(), TINY, studio.LAMPS[:1], 0.0).lamps["key"]
    upright_view = View(width=160, height=120, orientation=6)
    upright = render(Scene(), upright_view, studio.LAMPS[:1], 0.0).lamps["key"]
    assert upright.shape == (160, 120, 3)
    assert upright_view.as_sensor_lies(upright).shape == (120, 160, 3)
    middle = np.abs(upright[30:130, 10:110] - level[10:110, 30:130])
    assert np.median(middle) < 1e-3


def test_light_can_be_enlarged_without_changing_its_tones() -> None:
    recipe = Recipe("F0001", "", view=TINY)
    light = light_on_sensor(recipe, Darkroom().fields(recipe))
    large = enlarged(light, (480, 640))
    assert large.shape == (480, 640, 3)
    assert np.median(large) == pytest.approx(float(np.median(light)), rel=0.01)


def test_paper_fills_all_that_the_sitter_leaves(shoot: Shoot) -> None:
    material = shoot.frame().material
    rows, columns = material.shape
    assert (material[: rows // 3, : columns // 4] == Material.PAPER).all()
    assert {Material.SKIN, Material.HAIR, Material.CLOTH, Material.MASK, Material.METAL} <= set(
        np.unique(material)
    )


def test_a_seed_makes_one_shoot_and_another_makes_another() -> None:
    assert made_shoot(3, view=TINY).lamps == made_shoot(3, view=TINY).lamps
    assert made_shoot(3, view=TINY).lamps != made_shoot(4, view=TINY).lamps
    first, again = (made_shoot(3, view=TINY).frame().exposed.mosaic for _ in range(2))
    assert np.array_equal(first, again)

"""Lamps add: predictions against frames, the arithmetic of f-numbers and the inverse square."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from stopwise.grid import combine
from stopwise.lamps.solos import lamp_set
from stopwise.lamps.superposition import clipped_shares, patch_shares, predict, sum_against_full
from support.lit_sets import AMBIENT_LIGHT, BOXES, LitSet, level_of, reduced
from support.made_set import Sitter
from support.made_set import field as field_of

# Sums of f-numbers, N = sqrt(N1^2 + N2^2 + ...): exposures add, so f/5.6 and f/5.6 make f/8
# (handbooks of studio lighting, common practice); each value can be recomputed.
SUMS = [
    ((8.0, 8.0), 11.313708),
    ((8.0, 5.656854), 9.797959),
    ((8.0, 4.0), 8.944272),
    ((8.0, 2.0), 8.246211),
    ((11.313708, 8.0), 13.856406),
    ((8.0, 5.656854, 4.0), 10.583005),
]


def flat(level: float):
    """Return a picture of one level, as a grey sheet under one even lamp gives."""
    signals = np.full((3, 48, 64), level, dtype=np.float32)
    return reduced(signals, boxes={"sheet": (0.2, 0.2, 0.8, 0.8)})


@pytest.mark.parametrize(("readings", "total"), SUMS)
def test_solos_add_as_readings_of_a_meter_do(readings, total):
    solos = {f"lamp {i}": flat(0.001 * reading**2) for i, reading in enumerate(readings)}
    summed = level_of(predict(lamp_set(solos), {}), "sheet")
    assert math.sqrt(2.0**summed / 0.001) == pytest.approx(total, rel=1e-4)


@pytest.mark.parametrize(
    ("weaker_by", "gain"), [(0.0, 1.0), (1 / 3, 0.842939), (1.0, 0.584963), (3.0, 0.169925)]
)
def test_a_second_lamp_gains_what_the_equation_says(weaker_by, gain):
    lamps = lamp_set({"one": flat(0.1), "two": flat(0.1)})
    both = level_of(predict(lamps, {"two": -weaker_by}), "sheet")
    assert both - math.log2(0.1) == pytest.approx(gain, abs=1e-4)


@pytest.mark.parametrize(("count", "stops"), [(2, 1.0), (3, 1.584963), (4, 2.0), (5, 2.321928)])
def test_equal_lamps_add_log2_of_their_number(count, stops):
    lamps = lamp_set({f"lamp {i}": flat(0.05) for i in range(count)})
    gained = level_of(predict(lamps, {}), "sheet") - math.log2(0.05)
    assert gained == pytest.approx(stops, abs=1e-4)


def test_removing_a_lamp_leaves_what_the_others_give():
    lamps = lamp_set({"key": flat(0.064), "fill": flat(0.064)})
    rest = level_of(predict(lamps, {"key": -math.inf}), "sheet")
    assert rest == pytest.approx(math.log2(0.064), abs=1e-4)


def test_the_sum_of_solos_is_the_full_set_where_nothing_clips():
    made = LitSet()
    check = sum_against_full(made.lamp_set, made.frame())
    assert abs(np.median(check.off)) < 0.01
    assert np.mean(np.abs(check.off) <= 0.1) > 0.99
    assert all(abs(off) < 0.02 for off in check.by_lamp.values() if off is not None)


def test_any_turns_are_predicted_within_a_twentieth_of_a_stop():
    made = LitSet(seed=4)
    turns = {"key": -0.7, "fill": 0.9, "hair": -1.5, "paper left": 0.4}
    frame, predicted = made.frame(turns), predict(made.lamp_set, turns)
    for name in BOXES:
        here = level_of(frame, name)
        assert level_of(predicted, name) == pytest.approx(here, abs=0.05)


def test_predicted_clipping_meets_the_frame_that_is_then_made():
    made = LitSet(seed=9, fullest=0.35)
    turns = {"key": 1.6, "fill": 0.3}
    frame, predicted = made.frame(turns), predict(made.lamp_set, turns)
    true = float(np.mean(frame.clipped))
    assert true > 0.005
    assert float(np.mean(clipped_shares(predicted))) == pytest.approx(true, rel=0.1)


def test_tails_predict_clipping_that_means_would_miss():
    rng = np.random.default_rng(3)
    texture = 2.0 ** rng.normal(0, 0.3, (1600, 2400))
    signals = np.stack([0.4 * texture] * 3).astype(np.float32)
    solo = reduced(signals)
    up = clipped_shares(combine([solo], [2.0]))
    true = float(np.mean(0.8 * texture >= 1.0))
    assert true == pytest.approx(0.14, abs=0.01)
    assert float(np.mean(up)) == pytest.approx(true, abs=0.02)
    assert np.all(2.0 * solo.mean < 1.0)


def test_a_clipped_solo_gives_bounds():
    made = LitSet(seed=2, fullest=0.45)
    solos = dict(made.solos)
    solos["key"] = made.solo("key", 1.8)
    lamps = lamp_set(solos, made.ambient)
    predicted = predict(lamps, {"key": -1.8})
    assert np.mean(predicted.boxes["jacket"].clipped) > 0.01
    assert level_of(predicted, "jacket") <= level_of(made.frame(), "jacket") + 0.02


def test_moving_a_lamp_reads_as_the_inverse_square_says():
    # -2 log2(d): 1 m to 2 m is -2 stops, to 1.414214 m -1 (CIE e-ILV 17-25-104)
    made = LitSet(noise=False)
    chip = (slice(None), slice(131, 140), slice(17, 31))
    for lamp in made.lamps[:1]:
        at, to = np.asarray(lamp.at), np.array([-0.72, -0.42, -1.2])
        aimed = replace(lamp, to=tuple(to), half_angle=40.0)
        away = replace(aimed, at=tuple(to + math.sqrt(2.0) * (at - to)))
        near_light = np.median(field_of(aimed, Sitter(), (160, 240))[chip])
        far_light = np.median(field_of(away, Sitter(), (160, 240))[chip])
        assert math.log2(far_light / near_light) == pytest.approx(-1.0, abs=0.03)


def test_shares_of_a_patch_sum_to_one_and_name_the_leader():
    made = LitSet()
    shares = patch_shares(made.lamp_set)
    for parts in shares.values():
        assert sum(parts.values()) == pytest.approx(1.0, abs=1e-6)
    assert max(shares["lit cheek"], key=shares["lit cheek"].get) == "key"
    assert shares["shadow cheek"]["fill"] > 0.8
    assert 0.0 < shares["shadow cheek"]["ambient"] < 0.2
    assert AMBIENT_LIGHT > 0


def test_turning_a_lamp_that_has_no_solo_is_refused():
    made = LitSet(noise=False)
    with pytest.raises(ValueError, match="no solo of rim; there are: key"):
        predict(made.lamp_set, {"rim": 1.0})

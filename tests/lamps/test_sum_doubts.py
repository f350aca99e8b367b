"""Where light that is added up isn't to be trusted, on sets whose light is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stopwise.lamps.solos import LampSet, SoloPlace, lamp_set
from stopwise.lamps.sum_doubts import doubts_in
from stopwise.lamps.superposition import predict
from stopwise.report.tables import doubt_words
from support.lit_sets import AMBIENT_LIGHT, SHAPE, LitSet
from support.made_set import WIDTH, Sitter


@pytest.fixture(scope="module")
def made() -> LitSet:
    return LitSet(seed=6, noise=False, fullest=0.2)


def silent(lamps: LampSet) -> LampSet:
    """Return a set without noise: where cells are blocks an edge seems some."""
    nets = {name: replace(net, noise=0.0 * net.noise) for name, net in lamps.nets.items()}
    return replace(
        lamps, nets=nets, ambient=replace(lamps.ambient, noise=0.0 * lamps.ambient.noise)
    )


def test_solos_that_add_up_to_the_frame_leave_no_doubt(made):
    doubts = doubts_in(silent(made.lamp_set), {}, made.frame())
    assert set(doubts) == {"clipped", "elsewhere", "noisy", "differs"}
    assert [doubt for doubt, blocks in doubts.items() if blocks.any()] == []
    assert doubt_words(doubts) == ()


def test_only_where_the_frame_differs_by_more_than_is_promised_is_it_told(made):
    light = made.light()
    light[:, :40, :60] *= 2.0**0.1
    light[:, 80:120, 160:200] *= 2.0**0.3
    differs = doubts_in(made.lamp_set, {}, made.picture(light))["differs"]
    rows, columns = (side / blocks for side, blocks in zip(SHAPE, differs.shape, strict=True))
    truth = np.zeros_like(differs)
    truth[round(80 / rows) : round(120 / rows), round(160 / columns) : round(200 / columns)] = True
    assert (differs == truth).all()
    assert doubt_words({"differs": differs}) == (
        "the frame under all lamps differs from the solos (4.2 % of the picture)",
    )


def test_where_the_sitter_stood_elsewhere_the_light_that_he_moves_is_doubted(made):
    """Truth: the sum with him back at his mark, which a made set can show."""
    there = Sitter(dx=0.02 * WIDTH)
    solos = made.lamp_set
    lit = made.frame({}, there, out=[name for name in made.names if name != "key"])
    nets = lamp_set({**made.solos, "key": replace(lit, boxes={})}, made.ambient).nets
    told = replace(solos, nets=nets, places={"key": SoloPlace(right=0.02)})
    doubted = doubts_in(told, {}, None)["elsewhere"]
    off = np.abs(
        np.log2(sum(net.luminance for net in nets.values()) + AMBIENT_LIGHT)
        - np.log2(sum(net.luminance for net in solos.nets.values()) + AMBIENT_LIGHT)
    )
    wrong = off > 0.3
    assert wrong.any()
    assert doubted[wrong].mean() > 0.8
    assert doubted[off < 0.03].mean() < 0.1


def test_areas_that_noise_hides_are_doubted_and_narrow_strands_are_not(made):
    quiet = silent(made.lamp_set)
    key = quiet.nets["key"]
    noise = np.zeros_like(key.noise)
    area, strand = (slice(40, 60), slice(100, 140)), (slice(90, 92), slice(60, 180))
    for place in (area, strand):
        noise[place] = 0.1 * predict(quiet, {}).luminance[place].max()
    loud = replace(quiet, nets={**quiet.nets, "key": replace(key, noise=noise)})
    noisy = doubts_in(loud, {}, None)["noisy"]
    told = np.zeros_like(noisy)
    told[41:59, 101:139] = predict(quiet, {}).blocked[41:59, 101:139] <= 0.0
    assert told.sum() > 200
    assert noisy[told].all()  # 2 x 10 % of the brightest is 0.29 stop, or more
    noisy[area] = False
    assert not noisy.any()

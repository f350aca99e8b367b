"""What the package measures in the sample frames, against what the light model knows of them."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from stopwise.errors import Unreadable
from stopwise.measurement import Known, measure, read
from stopwise.plan import load_plan
from stopwise.raw import decode
from stopwise.verdict import judge

if TYPE_CHECKING:
    from stopwise.measurement.figures import Measurement

FOLDER = Path(__file__).parents[2] / "sample_frames"
TRUTH: dict[str, dict[str, Any]] = json.loads((FOLDER / "truth.json").read_text(encoding="utf-8"))[
    "frames"
]
STILL = [
    name
    for name, frame in TRUTH.items()
    if frame["verdict"] in {"on plan", "off plan"}
    and frame["cause"] not in {"trigger", "sitter"}
    and frame["sitter"]["right"] == 0.0
]
"""Frames of the shoot with the sitter in his place, lit."""


PLAN = load_plan(FOLDER / "plan.toml")


@cache
def measured(name: str) -> Measurement:
    return measure(decode(FOLDER / name), PLAN, look=TRUTH[name]["look"])


@pytest.mark.parametrize("name", STILL)
def test_zones_tops_and_headroom_lie_within_a_twentieth_of_a_stop(name: str) -> None:
    for patch, true in TRUTH[name]["patches"].items():
        reading = measured(name).patches[patch]
        for figure in ("zone", "top", "headroom"):
            assert getattr(reading, figure) == pytest.approx(true[figure], abs=0.05), patch
        assert reading.clipped == pytest.approx(true["clipped"], abs=2e-4)


@pytest.mark.parametrize("name", STILL)
def test_the_ratio_lies_within_0_06_stop(name: str) -> None:
    ratio = measured(name).ratios[0]
    assert ratio.stops == pytest.approx(TRUTH[name]["ratio_stops"], abs=0.06)


@pytest.mark.parametrize("name", STILL)
def test_clipped_fractions_lie_within_2e_4_of_the_true_count(name: str) -> None:
    clipping, true = measured(name).clipping, TRUTH[name]["clipping"]
    assert clipping.any == pytest.approx(true["any"], abs=2e-4)
    assert clipping.all == pytest.approx(true["all"], abs=2e-4)
    for colour, share in true["by_colour"].items():
        assert clipping.by_colour[colour] == pytest.approx(share, abs=2e-4)


@pytest.mark.parametrize("name", STILL)
def test_the_backdrop_lies_as_the_model_has_it(name: str) -> None:
    backdrop, true = measured(name).backdrop, TRUTH[name]["backdrop"]
    assert backdrop is not None
    assert backdrop.zone == pytest.approx(true["zone"], abs=0.05)
    assert backdrop.left_right == pytest.approx(true["left_right"], abs=0.08)
    assert backdrop.falloff == pytest.approx(true["falloff"], abs=0.1)


@pytest.mark.parametrize("name", STILL)
def test_the_judge_fails_what_the_frame_was_made_to_fail_and_nothing_else(name: str) -> None:
    verdict = judge(measured(name), PLAN, look=TRUTH[name]["look"])
    failing = {(found.check, found.of) for found in verdict.findings if found.state == "fails"}
    assert failing == {(check["check"], check["of"]) for check in TRUTH[name]["failing"]}
    assert verdict.verdict == TRUTH[name]["verdict"]


@pytest.mark.parametrize("name", ["F0016.dng", "F0017.dng"])
def test_patches_of_a_sitter_who_moves_or_turns_are_found_where_they_are(name: str) -> None:
    reference = read(decode(FOLDER / "F0011.dng"), PLAN).grid
    found = measure(decode(FOLDER / name), PLAN, known=Known(reference=reference)).patches
    for patch in ("lit cheek", "shadow cheek", "brow", "jacket", "mask"):
        true, reading = TRUTH[name]["patches"][patch], found[patch]
        assert reading.box[0] == pytest.approx(true["box"][0], abs=0.005)
        assert reading.zone == pytest.approx(true["zone"], abs=0.05)


def test_the_shutter_s_edge_is_seen_where_it_is_and_nowhere_else() -> None:
    for name in STILL:
        covered = TRUTH[name]["shutter"]["covered"]
        assert measured(name).shutter.edge_share == pytest.approx(covered, abs=0.02)
    assert measured("F0020.dng").shutter.edge_side == "bottom"


def test_the_cut_file_gives_no_frame() -> None:
    with pytest.raises(Unreadable, match="cut short"):
        decode(FOLDER / "F0021.dng")

"""Without solos: the lamp that likely did not fire, from the take's own run."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from stopwise.lamps.outputs import LampReading
from stopwise.pipeline import Brief, assess_file
from stopwise.pipeline.plan_frames import PlanFrames
from stopwise.plan import load_plan
from stopwise.plan.model import FramesPlan
from stopwise.plan.now import plan_now
from stopwise.verdict.lamp_causes import with_likely_out

SAMPLES = Path(__file__).parents[2] / "sample_frames"


@pytest.fixture(scope="module")
def shoot():
    """Return the targets and the records of some sample frames, judged without any solo."""
    plan = load_plan(SAMPLES / "plan.toml").model_copy(update={"frames": FramesPlan()})
    brief = Brief(plan=plan, plan_folder=SAMPLES)
    names = ("F0010", "F0011", "F0012", "F0017")
    frames = PlanFrames()
    records = {name: assess_file(SAMPLES / f"{name}.dng", brief, frames).record for name in names}
    return plan_now(plan), records


def lamps_called(record):
    return [(one.of, one.code) for one in record.findings if one.check == "lamp"]


def test_a_hair_lamp_that_fell_from_the_run_is_called_as_likely_out(shoot):
    targets, records = shoot
    run = [records["F0011"]] * 3
    found = with_likely_out(records["F0012"], run, targets)
    assert lamps_called(found) == [("hair", "likely_out")]
    assert found.verdict == "off plan"
    assert [one.of for one in found.findings if one.state == "fails"] == ["hair"]


@pytest.mark.parametrize("name", ["F0010", "F0011", "F0017"])
def test_a_lamp_turned_down_or_a_head_turned_is_no_misfire(shoot, name):
    targets, records = shoot
    run = [records["F0011"]] * 3
    assert with_likely_out(records[name], run, targets) == records[name]


def test_two_frames_are_no_run(shoot):
    targets, records = shoot
    run = [records["F0011"]] * 2
    assert with_likely_out(records["F0012"], run, targets) == records["F0012"]


def test_where_solos_are_known_they_alone_say(shoot):
    targets, records = shoot
    seen = replace(records["F0012"], lamps={"hair": LampReading(0.0, 0.01, "fired")})
    assert with_likely_out(seen, [records["F0011"]] * 3, targets) == seen

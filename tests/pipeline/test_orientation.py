"""A camera that is turned upright: judged by the look made for it, else by no box at all.

The frames are of the invented day, with the orientation that TIFF 6.0 writes as tag 274 changed in
the file: what the sensor saw stays, the picture stands upright.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from stopwise.pipeline import Brief, assess_file
from stopwise.pipeline.plan_frames import PlanFrames
from stopwise.plan.loading import plan_of_text
from stopwise.plan.now import LookFor, look_for

SAMPLES = Path(__file__).parents[2] / "sample_frames"
TEXT = (SAMPLES / "plan.toml").read_text(encoding="utf-8").split("[[look]]")[0]
"""The sample plan without its looks."""
PLAN = plan_of_text(TEXT, "plan.toml")
_ORIENTATION = b"\x12\x01\x03\x00\x01\x00\x00\x00"
"""Tag 274, SHORT, one value, in a little-endian directory (TIFF 6.0, sections 2 and 8)."""

UPRIGHT = """
[[look]]
name = "tall"
orientation = "upright"

[[look.patch]]
name = "lit cheek"
box = [0.4, 0.4, 0.5, 0.5]
material = "skin"
zone = {zone}
"""


def turned(name, folder, *, orientation=6):
    """Write a sample frame as a camera on its side would have, and return its path."""
    whole = (SAMPLES / name).read_bytes()
    assert whole.count(_ORIENTATION + b"\x01\x00") == 1
    tall = _ORIENTATION + orientation.to_bytes(2, "little")
    path = folder / name
    path.write_bytes(whole.replace(_ORIENTATION + b"\x01\x00", tall))
    return path


def plan_with(zone):
    return plan_of_text(TEXT + UPRIGHT.format(zone=zone), "plan.toml")


def judged(path, plan, *, look=None, frames=None):
    brief = Brief(plan=plan, plan_folder=SAMPLES, look=look)
    return assess_file(path, brief, frames or PlanFrames())


def test_without_a_look_for_it_no_box_is_read_and_nothing_is_turned(tmp_path):
    whole = judged(turned("F0009.dng", tmp_path), PLAN)
    record = whole.record
    assert (record.verdict, record.patches) == ("can't tell", {})
    assert all(one.turn is None for one in record.findings)
    assert not record.turns
    assert record.reason.code == "no_boxes"
    assert record.headline == (
        "Camera upright: no boxes for it.",
        "Make a look: look upright --new.",
    )
    assert record.lamps is None
    assert whole.notes == ()  # that the solos lie across is no fault of theirs


@pytest.mark.slow
def test_no_lamp_is_turned_in_fifty_upright_frames(tmp_path):
    frames, seen = PlanFrames(), 0
    for orientation in (5, 6, 7, 8):
        for number in range(6, 19):  # three solos and the lit frames; F0019 stands upright
            path = turned(f"F{number:04d}.dng", tmp_path, orientation=orientation)
            record = judged(path, PLAN, frames=frames).record
            assert record.reason.code == "no_boxes"
            assert all(one.turn is None and one.check != "lamp" for one in record.findings)
            assert not record.turns
            seen += 1
    assert seen >= 50


@pytest.mark.parametrize("zone", ["6.5", '"open"'])
def test_the_look_made_for_it_is_chosen_by_itself(tmp_path, zone):
    plan = plan_with(zone)
    record = judged(turned("F0009.dng", tmp_path), plan).record
    assert (record.look, list(record.patches)) == ("tall", ["lit cheek"])
    assert {one.of for one in record.findings if one.check == "patch"} == (
        {"lit cheek"} if zone == "6.5" else set()
    )
    assert record.backdrop is None  # the plan's paper lies elsewhere in this picture


def test_zones_that_are_open_are_measured_until_a_frame_is_adopted(tmp_path):
    tall = UPRIGHT.format(zone='"open"')
    text = f"schema = 1\n[limits]\nblown_area = 1.0\n{tall}headroom = 0.0\n"
    record = judged(turned("F0009.dng", tmp_path), plan_of_text(text, "plan.toml")).record
    assert (record.verdict, record.reason.code) == ("measured", "open")
    assert record.headline[1] == "Zones open: adopt a frame."
    assert record.patches["lit cheek"].zone is not None


def test_a_worn_look_for_an_upright_camera_gives_way_when_the_camera_is_turned_back(tmp_path):
    record = judged(SAMPLES / "F0009.dng", plan_with("6.5"), look="tall").record
    assert record.look is None
    assert record.backdrop is not None


LOOKS = """
schema = 1
[[look]]
name = "black"
[[look]]
name = "black tall"
of = "black"
orientation = "upright"
[[look]]
name = "tall"
orientation = "upright"
[[look]]
name = "tall close"
orientation = "upright"
"""


@pytest.mark.parametrize(
    ("worn", "seen", "own", "found"),
    [
        (None, "upright", "landscape", LookFor("tall")),
        ("black", "upright", "landscape", LookFor("black tall")),
        ("black tall", "landscape", "landscape", LookFor("black")),
        ("black", "landscape", "landscape", LookFor("black")),
        ("black", "landscape", "upright", LookFor("black", has_boxes=False)),
        ("tall", "landscape", None, LookFor(None)),
        (None, "upright", None, LookFor("tall")),
        (None, None, "landscape", LookFor(None)),
        ("tall close", "upright", "landscape", LookFor("tall close")),
        ("tall close", "landscape", "landscape", LookFor(None)),
        ("tall close", "upright", "upright", LookFor("tall close")),
    ],
)
def test_clothes_and_orientation_are_two_looks_of_one(worn, seen, own, found):
    assert look_for(plan_of_text(LOOKS, "plan.toml"), worn, seen=seen, own=own) == found

"""Looks made on set: boxes copied with open zones, for other clothes or for a turned camera."""

from __future__ import annotations

from pathlib import Path

import pytest

from stopwise.cli import run
from stopwise.errors import WrongUse
from stopwise.findings import Reason
from stopwise.plan import load_plan
from stopwise.record import Record
from stopwise.shoot.watched_edits import make_look, turned_box
from support.set_day import on_set

SAMPLES = Path(__file__).parents[2] / "sample_frames"
PLAN = load_plan(SAMPLES / "plan.toml")
TEXT = (SAMPLES / "plan.toml").read_text(encoding="utf-8")
TALL = Record(
    "F0019.dng", "can't tell", Reason("no_boxes", ("upright",)), sha256="0" * 64, size=(1080, 1440)
)


@pytest.fixture
def plan(tmp_path):
    file = tmp_path / "plan.toml"
    file.write_text(TEXT, encoding="utf-8")
    return file


def test_a_new_look_has_the_boxes_of_the_worn_one_and_no_zone_not_even_a_material_s(plan):
    before = load_plan(plan)
    make_look(plan, "in grey", last=None)
    look = load_plan(plan).look("in grey")
    assert [(one.name, one.box) for one in look.patches] == [
        (one.name, one.box) for one in before.patches if one.material is not None
    ]
    assert "white cloth" in {one.material for one in look.patches}  # 7.0 by the table of materials
    assert all(one.zone == "open" and one.target_zone is None for one in look.patches)
    assert (look.of, look.orientation) == (None, None)


def test_a_look_that_is_there_is_not_made_again_and_a_plan_without_boxes_has_none_to_copy(plan):
    make_look(plan, "in grey", last=None)
    with pytest.raises(WrongUse, match=r'look "in grey" already. Wear it without --new'):
        make_look(plan, "In Grey", last=None)
    plan.write_text("schema = 1\n", encoding="utf-8")
    with pytest.raises(WrongUse, match="no box of the sitter to copy"):
        make_look(plan, "in grey", last=None)


def test_where_the_worn_look_was_taken_out_of_the_plan_its_own_patches_are_copied(plan):
    made = make_look(plan, "in grey", worn="gone", last=None)
    assert made.patches == make_look(plan, "in blue", last=None).patches


def test_a_box_lies_where_the_renderer_puts_it_once_the_camera_is_turned():
    # the sample plan's upright look was placed by the light model, which rendered F0019 from there
    tall = {patch.name: patch.box for patch in PLAN.look("upright").patches}
    for patch in PLAN.patches:
        assert turned_box(patch.box, TALL.size) == pytest.approx(tall[patch.name], abs=2e-4)
    assert turned_box((0.02, 0.1, 0.1, 0.3), TALL.size) is None  # beside the upright picture


def test_after_a_frame_that_had_no_boxes_the_look_is_for_its_orientation(plan):
    make_look(plan, "in grey", last=None)
    made = make_look(plan, "grey tall", worn="in grey", last=TALL)
    look = load_plan(plan).look("grey tall")
    assert (made.held, look.orientation, look.of) == ("upright", "upright", "in grey")
    jacket = next(one for one in look.patches if one.name == "jacket")
    own = load_plan(plan).look("in grey").patches
    assert jacket.box == turned_box(next(p for p in own if p.name == "jacket").box, TALL.size)
    paper = [turned_box(box, TALL.size) for box in PLAN.backdrop.boxes]
    assert (list(look.backdrop.boxes), look.backdrop.zone) == (paper, None)


def test_on_set_a_look_is_made_measured_and_filled_by_adopting(tmp_path, capsys):
    with on_set(tmp_path, TEXT) as day:
        assert day.say("look", "in grey") == 2
        assert "To make it, say --new." in capsys.readouterr().err
        assert day.say("look", "in grey", "--new") == 0
        measured = day.sample("F0011")
        assert (measured["look"], measured["verdict"]) == ("in grey", "measured")
        assert measured["because"]["code"] == "open"
        assert day.say("adopt", "--plan", str(day.plan)) == 0
        look = load_plan(day.plan).look("in grey")
        assert all(isinstance(one.zone, float) for one in look.patches)
        assert day.sample("F0011", as_="F0022")["verdict"] == "on plan"
        assert run(["adopt", "--undo", "--plan", str(day.plan)]) == 0
        assert all(one.zone == "open" for one in load_plan(day.plan).look("in grey").patches)
        day.plan.write_text(TEXT, encoding="utf-8")  # the worn look is gone
        frame = str(day.folder / "F0022.dng")
        assert day.say("adopt", frame, "--plan", str(day.plan), "--anyway") == 0

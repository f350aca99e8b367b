"""Frames are marked with the part they play, and only frames that give pixels."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from stopwise.errors import PathMissing, Unreadable, WrongUse
from stopwise.frame import Camera
from stopwise.measurement.reading import ground_of
from stopwise.pipeline.awaited import clip_answer
from stopwise.plan import load_plan
from stopwise.plan.draft import open_draft
from stopwise.plan.model import ClipPlan
from stopwise.preparing.marks import mark_frame, name_beside, with_clip
from support.made_raws import write_kind
from support.outside import shot_over

PLAN = """\
[[light]]
name = "key"   # snoot

[frames]       # by the program
grey = "old.dng"
"""


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    file = tmp_path / "plan.toml"
    file.write_text(PLAN, encoding="utf-8")
    return file


@pytest.fixture
def frame(tmp_path: Path) -> Path:
    (tmp_path / "day one").mkdir()
    path = tmp_path / "day one" / "F0003.dng"
    write_kind(path, "rggb lossless")
    return path


@pytest.mark.parametrize("part", ["ambient", "plate", "reference"])
def test_a_frame_is_marked_by_its_place_beside_the_plan(part: str, frame: Path, plan: Path) -> None:
    said = mark_frame(frame, part, plan)

    assert getattr(load_plan(plan).frames, part) == "day one/F0003.dng"
    assert said == f"plan.toml: {part} is day one/F0003.dng."


def test_a_solo_is_marked_by_its_lamps_name(frame: Path, plan: Path) -> None:
    assert mark_frame(frame, "key", plan) == "plan.toml: solo of key is day one/F0003.dng."
    assert load_plan(plan).frames.solo == {"key": "day one/F0003.dng"}


def test_a_new_mark_says_what_it_takes_the_place_of(frame: Path, plan: Path) -> None:
    assert mark_frame(frame, "grey", plan).endswith("(was old.dng).")
    assert 'name = "key"   # snoot' in plan.read_text(encoding="utf-8")


def test_an_unknown_part_is_refused_with_what_was_meant(frame: Path, plan: Path) -> None:
    with pytest.raises(WrongUse, match='Did you mean "ambient"'):
        mark_frame(frame, "ambeint", plan)
    with pytest.raises(WrongUse, match="there are grey, ambient, plate, reference, clip, key"):
        mark_frame(frame, "window", plan)


def test_only_a_frame_that_gives_pixels_is_marked(plan: Path, tmp_path: Path) -> None:
    (tmp_path / "cut.dng").write_bytes(b"II*\0")

    with pytest.raises(Unreadable, match=r"cut\.dng"):
        mark_frame(tmp_path / "cut.dng", "grey", plan)
    with pytest.raises((PathMissing, Unreadable), match=r"none\.dng"):
        mark_frame(tmp_path / "none.dng", "grey", plan)

    assert plan.read_text(encoding="utf-8") == PLAN


def test_a_frame_that_is_not_shot_over_is_not_marked_as_clip(frame: Path, plan: Path) -> None:
    with pytest.raises(
        WrongUse, match=r"F0003\.dng: It isn't far enough over: .* shoot clip again"
    ):
        mark_frame(frame, "clip", plan)
    assert plan.read_text(encoding="utf-8") == PLAN


def test_the_stops_of_a_body_are_written_and_taken_back_key_by_key(plan: Path) -> None:
    level = {"R": 3800.5, "G2": 3790.0}
    clip = ClipPlan(body="One", iso=100.0, white=4095.0, level=level, spread={"R": 3.0})
    with_clip(open_draft(plan), clip).save()
    assert load_plan(plan).camera.clip == clip
    other = ClipPlan(white=4095.0, level=level)
    with_clip(open_draft(plan), other).save()
    assert load_plan(plan).camera.clip == other
    with_clip(open_draft(plan), None).save()
    assert plan.read_text(encoding="utf-8").strip() == PLAN.strip()


def test_a_frame_of_another_body_tells_nothing_of_this_one() -> None:
    exposed = shot_over(10_008, stops=2.0)
    frame = replace(exposed.frame, camera=Camera("Made", "Two", None))
    answer = clip_answer(frame, ground_of(frame), ["One"])
    assert answer.clip is None
    assert answer.refused is not None
    assert answer.refused.words.startswith("It comes from Two, and the plan's frames from One.")
    assert clip_answer(frame, ground_of(frame), ["Two"]).clip is not None


def test_a_frame_outside_of_the_plans_folder_is_found_from_there() -> None:
    assert name_beside(Path("/card/F1.dng"), Path("/shoot/plan.toml")) == "../card/F1.dng"

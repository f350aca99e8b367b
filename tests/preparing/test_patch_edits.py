"""Patches are added, moved and taken out from the terminal, the rest of the plan untouched."""

from __future__ import annotations

from pathlib import Path

import pytest

from stopwise.errors import PlanError, Unreadable, WrongUse
from stopwise.plan import load_plan
from stopwise.plan.draft import undo_edit
from stopwise.preparing.patch_edits import place_patch, remove_patch, show_patches

PLAN = """\
[[light]]
name = "key"
[[patch]]
name = "lit cheek"
box = [0.5, 0.4, 0.6, 0.5]   # by eye
material = "skin"
[[patch]]
name = "shadow cheek"
box = [0.4, 0.4, 0.5, 0.5]
[[ratio]]
lit = "lit cheek"
shadow = "shadow cheek"
stops = 2
"""


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    file = tmp_path / "plan.toml"
    file.write_text(PLAN, encoding="utf-8")
    return file


def test_a_patch_is_added_with_what_its_material_brings(plan: Path) -> None:
    keys = {"box": ".5,.7,.6,.8", "material": "white cloth", "lit_by": "key", "zone": None}

    said = place_patch(plan, "jacket", keys)

    added = load_plan(plan).patch("jacket")
    assert said == "plan.toml: added jacket, white cloth with Zone 7."
    assert added is not None
    assert (added.box, added.lit_by, added.zone) == ((0.5, 0.7, 0.6, 0.8), ("key",), None)


def test_a_patch_of_a_look_is_added_moved_and_taken_out_there_alone(plan: Path) -> None:
    own = load_plan(plan).patches
    with plan.open("a", encoding="utf-8") as file:
        file.write('[[look]]\nname = "in grey"\n')
    place_patch(plan, "lit cheek", {"box": ".5,.4,.6,.5", "zone": "open"}, look="in grey")
    place_patch(plan, "lit cheek", {"box": ".5,.4,.7,.5"}, look="in grey")
    (held,) = load_plan(plan).looks[0].patches
    assert (held.box, held.zone) == ((0.5, 0.4, 0.7, 0.5), "open")
    assert load_plan(plan).patches == own
    remove_patch(plan, "lit cheek", look="in grey")
    assert load_plan(plan).looks[0].patches == ()
    with pytest.raises(WrongUse, match=r'no look "in gray"\. Did you mean "in grey"'):
        place_patch(plan, "lit cheek", {"zone": "6"}, look="in gray")


def test_skin_is_never_given_a_zone(plan: Path) -> None:
    said = place_patch(plan, "hand", {"box": ".1,.1,.2,.2", "material": "skin"})

    assert said.endswith("skin with no zone of its own.")


def test_a_patch_is_moved_where_it_stands_and_back(plan: Path) -> None:
    place_patch(plan, "lit cheek", {"box": "0.52,0.4,0.58,0.48", "follow": True})

    text = plan.read_text(encoding="utf-8")
    assert "box = [0.52, 0.4, 0.58, 0.48]   # by eye" in text
    assert "follow = true" in text
    undo_edit(plan)
    assert plan.read_text(encoding="utf-8") == PLAN


def test_a_patch_that_a_ratio_needs_is_not_taken_out(plan: Path) -> None:
    with pytest.raises(PlanError, match='no patch "shadow cheek"'):
        remove_patch(plan, "shadow cheek")

    assert plan.read_text(encoding="utf-8") == PLAN


def test_a_patch_is_taken_out(plan: Path) -> None:
    place_patch(plan, "hand", {"box": ".1,.1,.2,.2"})

    assert remove_patch(plan, "hand") == "plan.toml: removed hand."
    assert load_plan(plan).patch("hand") is None


@pytest.mark.parametrize(
    ("name", "keys", "words"),
    [
        ("hand", {"zone": "6"}, "a new one needs its place"),
        ("lit cheek", {"zone": None}, "Say what is to change"),
        ("hand", {"box": ".5,.4"}, "is not a box"),
        ("hand", {"box": ".5,.4,.3,.5"}, "inside out"),
    ],
)
def test_what_says_too_little_is_refused(
    name: str, keys: dict[str, str | None], words: str, plan: Path
) -> None:
    with pytest.raises(WrongUse, match=words):
        place_patch(plan, name, keys)


def test_a_wrong_value_is_refused_as_in_the_file(plan: Path) -> None:
    with pytest.raises(PlanError, match='Did you mean "skin"'):
        place_patch(plan, "hand", {"box": ".1,.1,.2,.2", "material": "skn"})


def test_an_unknown_patch_is_refused_with_the_one_that_was_meant(plan: Path) -> None:
    with pytest.raises(WrongUse, match='Did you mean "lit cheek"'):
        remove_patch(plan, "lit chek")


SAMPLES = Path(__file__).parents[2] / "sample_frames"


def test_a_slip_shows_where_the_patches_fall(tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_bytes((SAMPLES / "plan.toml").read_bytes())

    drawn = show_patches(plan, SAMPLES / "F0011.dng")

    assert drawn == tmp_path / "F0011-patches.png"
    assert drawn.read_bytes().startswith(b"\x89PNG")


def test_a_slip_that_cant_be_drawn_is_said(plan: Path, tmp_path: Path) -> None:
    (tmp_path / "F1.dng").write_bytes(b"")

    with pytest.raises(Unreadable, match="empty"):
        show_patches(plan, tmp_path / "F1.dng")
    with pytest.raises(WrongUse, match="can't be written"):
        show_patches(plan, SAMPLES / "F0011.dng", tmp_path / "none" / "slip.png")

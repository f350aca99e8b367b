"""Edits from the page: by name, comments kept, never over somebody else's change."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING, Any

import pytest

from stopwise.errors import PlanError, WrongUse
from stopwise.ledger import MEMORY, Ledger, Place, Stamp
from stopwise.page.actions import Actions
from stopwise.page.live import LivePage
from stopwise.page.plan_edits import (
    PatchRef,
    Stale,
    delete_patch,
    patch_values,
    plan_view,
    save_backdrop,
    save_patch,
)
from stopwise.plan import load_plan
from stopwise.plan.draft import open_draft, undo_edit
from stopwise.record import record_from_json
from stopwise.shoot.adopting import adopted
from stopwise.shoot.look_frames import solo_looks
from support.page_process import SAMPLES
from support.page_scene import PLAN_TEXT, key_hot, on_plan

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "plan.toml"
    path.write_text(PLAN_TEXT, encoding="utf-8")
    return path


def values_of(file: Path, name: str) -> dict[str, Any]:
    patch = load_plan(file).patch(name)
    assert patch is not None
    return patch_values(patch)


def comments(text: str) -> list[str]:
    return [line.partition("#")[2] for line in text.splitlines() if "#" in line]


def test_a_new_patch_stands_in_the_plan_with_its_targets(file: Path) -> None:
    asked = {"name": "cap", "box": [0.3, 0.2, 0.1, 0.4], "material": "white cloth", "within": 0.2}
    save_patch(file, PatchRef("cap"), asked, was=None)
    patch = load_plan(file).patch("cap")
    assert patch is not None
    assert (patch.box, patch.material, patch.within) == ((0.1, 0.2, 0.3, 0.4), "white cloth", 0.2)
    assert comments(file.read_text()) == comments(PLAN_TEXT)


def test_a_moved_patch_changes_its_box_and_nothing_else(file: Path) -> None:
    box = [0.5, 0.4, 0.55, 0.45]
    save_patch(file, PatchRef("lit cheek"), {"box": box}, was=values_of(file, "lit cheek"))
    expected = PLAN_TEXT.replace("[0.535, 0.44, 0.565, 0.49]", "[0.5, 0.4, 0.55, 0.45]")
    assert file.read_text() == expected


def test_a_renamed_patch_is_renamed_wherever_it_is_named(file: Path) -> None:
    save_patch(file, PatchRef("lit cheek"), {"name": "key side"}, was=values_of(file, "lit cheek"))
    plan = load_plan(file)
    assert plan.patch("key side")
    assert plan.ratios[0].lit == "key side"


def test_an_edit_elsewhere_in_the_file_is_kept(file: Path) -> None:
    was = values_of(file, "lit cheek")
    file.write_text(PLAN_TEXT.replace("iso = 100", "iso = 200"), encoding="utf-8")
    save_patch(file, PatchRef("lit cheek"), {"zone": 6.3}, was=was)
    plan = load_plan(file)
    assert (plan.camera.iso, values_of(file, "lit cheek")["zone"]) == (200, 6.3)


def test_an_edit_of_the_same_patch_meanwhile_is_never_overwritten(file: Path) -> None:
    was = values_of(file, "lit cheek")
    changed = PLAN_TEXT.replace("zone = 6.5", "zone = 6.0")
    file.write_text(changed, encoding="utf-8")
    with pytest.raises(Stale, match="changed in the plan meanwhile"):
        save_patch(file, PatchRef("lit cheek"), {"zone": 6.3}, was=was)
    assert file.read_text() == changed


def test_a_second_patch_of_a_name_is_refused(file: Path) -> None:
    with pytest.raises(Stale, match="There is a patch called"):
        save_patch(file, PatchRef("hair"), {"name": "hair", "box": [0, 0, 0.1, 0.1]}, was=None)


def test_a_patch_that_a_ratio_needs_stays(file: Path) -> None:
    with pytest.raises(PlanError, match="lit cheek"):
        delete_patch(file, PatchRef("lit cheek"))
    assert file.read_text() == PLAN_TEXT


def test_a_patch_is_taken_out_and_put_back(file: Path) -> None:
    delete_patch(file, PatchRef("hair"))
    assert load_plan(file).patch("hair") is None
    undo_edit(file)
    assert file.read_text() == PLAN_TEXT
    with pytest.raises(WrongUse, match="no edit"):
        undo_edit(file)


def test_backdrop_boxes_are_written_where_they_stand(file: Path) -> None:
    was = plan_view(load_plan(file))["backdrop"]
    save_backdrop(file, [*was, [0.4, 0.02, 0.6, 0.08]], was=was)
    backdrop = load_plan(file).backdrop
    assert backdrop is not None
    assert len(backdrop.boxes) == 3
    with pytest.raises(Stale, match="meanwhile"):
        save_backdrop(file, [], was=was)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"box": [0.1, 0.1, 0.1, 0.5]}, "inside out"),
        ({"box": [0.1, 0.1, 0.2]}, "box"),
        ({"box": "everywhere"}, "box"),
        ({"box": [0.1, "x", 0.2, 0.3]}, "box"),
        ({"zone": float("nan")}, "zone"),
        ({"zone": 40}, "zone"),
        ({"material": "velvet"}, "material"),
        ({"name": "two\nlines"}, "one line"),
    ],
)
def test_a_wrong_value_is_refused_in_words_and_nothing_is_written(
    file: Path, values: dict[str, Any], words: str
) -> None:
    with pytest.raises((WrongUse, PlanError), match=words):
        save_patch(file, PatchRef("hair"), values, was=values_of(file, "hair"))
    assert file.read_text() == PLAN_TEXT


def test_adopting_makes_a_frames_figures_the_targets_and_keeps_the_old_as_comments(
    file: Path,
) -> None:
    draft, changed = adopted(open_draft(file), record_from_json(key_hot(file="F0007.dng")))
    draft.save()
    plan, text = load_plan(file), file.read_text()
    assert [patch.zone for patch in plan.patches] == [6.9, 4.4, 6.1]
    assert len(changed) == 4  # three patches and the backdrop's left less right
    assert "# zone = 6.5  (before F0007.dng)" in text


def test_a_frame_is_marked_as_the_command_does_with_its_look(file: Path) -> None:
    shoot = file.parent / "shoot"
    shoot.mkdir()
    shutil.copy(SAMPLES / "F0004.dng", shoot / "F0003.dng")
    with Ledger(MEMORY) as ledger:
        live = LivePage(ledger, shoot, plan=lambda: load_plan(file), plan_path=file)
        actions = Actions(live)
        frame = record_from_json(on_plan(file="F0003.dng", look="in black"))
        place = Place(str(shoot), "F0003.dng", Stamp(1, 1, 1))
        kept = ledger.frames.keep(frame, place, sha256="0" * 64)
        said = actions.mark(kept.frame, "key")
        assert said == "plan.toml: solo of key is shoot/F0003.dng."
        assert solo_looks(ledger) == {"key": "in black"}
        with pytest.raises(WrongUse, match="neither a mark nor a lamp"):
            actions.mark(kept.frame, "moon")
        assert load_plan(file).frames.solo == {"key": "shoot/F0003.dng"}
        assert actions.undo() == "Took the mark back."
        assert solo_looks(ledger) == {}
    assert load_plan(file).frames.solo == {}


def test_without_a_plan_what_needs_one_is_refused(tmp_path: Path) -> None:
    with Ledger(MEMORY) as ledger, pytest.raises(WrongUse, match="no plan"):
        Actions(LivePage(ledger, tmp_path, plan=lambda: None)).lit(["key"])


def test_what_is_said_reaches_the_ledger_for_the_watcher(tmp_path: Path) -> None:
    with Ledger(MEMORY) as ledger:
        plan = tmp_path / "plan.toml"
        plan.write_text(PLAN_TEXT + '[[look]]\nname = "in black"\n', encoding="utf-8")
        actions = Actions(LivePage(ledger, tmp_path, plan=lambda: None, plan_path=plan))
        actions.take("key -0.5")
        actions.lit(["key", "fill"])
        actions.look("in black")
        actions.expect(["ambient", "key"])
        said = [(order.kind, order.body) for order in ledger.orders.open()]
    assert said == [
        ("take", "key -0.5"),
        ("lit", ["key", "fill"]),
        ("look", "in black"),
        ("expect", ["ambient", "key"]),
    ]


LOOK = """
[[look]]
name = "in black"   # the second dress

[[look.patch]]
name = "coat"
box = [0.5, 0.6, 0.6, 0.7]
material = "black cloth"

[[look.ratio]]
lit = "coat"
shadow = "chip"
stops = 0.5
"""
CHIP = """
[[patch]]
name = "chip"
box = [0.7, 0.3, 0.75, 0.4]
zone = 5.0
"""


@pytest.fixture
def dressed(file: Path) -> Path:
    file.write_text(PLAN_TEXT + CHIP + LOOK, encoding="utf-8")
    return file


def test_the_look_that_is_worn_brings_its_patches_and_keeps_those_of_the_set(
    dressed: Path,
) -> None:
    plan = load_plan(dressed)
    worn = {patch["name"]: patch["look"] for patch in plan_view(plan, look="in black")["patches"]}
    assert worn == {"chip": None, "coat": "in black"}
    assert "coat" not in {patch["name"] for patch in plan_view(plan)["patches"]}
    assert plan_view(plan, look="gone")["look"] is None


def test_a_looks_patch_is_moved_renamed_and_taken_out_in_its_look(dressed: Path) -> None:
    coat = PatchRef("coat", "in black")
    was = patch_values(load_plan(dressed).looks[0].patches[0])
    save_patch(dressed, coat, {"name": "cape", "box": [0.1, 0.1, 0.2, 0.2]}, was=was)
    look = load_plan(dressed).looks[0]
    assert (look.patches[0].name, look.patches[0].box) == ("cape", (0.1, 0.1, 0.2, 0.2))
    assert look.ratios[0].lit == "cape"
    assert "# the second dress" in dressed.read_text()
    save_patch(
        dressed, PatchRef("hat", "in black"), {"name": "hat", "box": [0, 0, 0.1, 0.1]}, was=None
    )
    assert [patch.name for patch in load_plan(dressed).looks[0].patches] == ["cape", "hat"]
    delete_patch(dressed, PatchRef("hat", "in black"))
    assert [patch.name for patch in load_plan(dressed).looks[0].patches] == ["cape"]


def test_a_look_that_is_gone_takes_no_patch(dressed: Path) -> None:
    with pytest.raises(Stale, match="no look"):
        save_patch(dressed, PatchRef("hat", "in red"), {"name": "hat"}, was=None)

"""Edits from the page: by name, comments kept, never over somebody else's change."""

from __future__ import annotations

import shutil
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from stopwise.errors import PlanError, WrongUse
from stopwise.ledger import MEMORY, Ledger, Place, Stamp
from stopwise.page.actions import (
    ExpectAction,
    LitAction,
    LookAction,
    MarkAction,
    TakeAction,
    UndoAction,
)
from stopwise.page.live import LivePage
from stopwise.page.plan_edits import (
    BackdropEdit,
    DrawnEdits,
    PatchEdit,
    PatchValues,
    Stale,
    backdrop_boxes,
    save_edits,
)
from stopwise.page.plan_views import plan_view
from stopwise.plan import load_plan
from stopwise.plan.draft import open_draft, undo_edit
from stopwise.record import record_from_json
from stopwise.shoot.adopting import adopted
from stopwise.shoot.awaited_parts import awaiting_now
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


def values_of(file: Path, name: str) -> PatchValues:
    patch = load_plan(file).patch(name)
    assert patch is not None
    return PatchValues.of(patch)


def save(
    file: Path, was: PatchValues | None, now: PatchValues | None, look: str | None = None
) -> None:
    save_edits(file, DrawnEdits(look, (PatchEdit(was, now),)))


def comments(text: str) -> list[str]:
    return [line.partition("#")[2] for line in text.splitlines() if "#" in line]


def test_a_new_patch_stands_in_the_plan_with_all_that_its_form_asks(file: Path) -> None:
    asked = PatchValues(
        "cap", (0.3, 0.2, 0.1, 0.4), "white cloth", 6.8, 0.2, must_see=True, lit_by=("key", "hair")
    )
    save(file, None, asked)
    patch = load_plan(file).patch("cap")
    assert patch is not None
    assert (patch.box, patch.material, patch.within) == ((0.1, 0.2, 0.3, 0.4), "white cloth", 0.2)
    assert (patch.zone, patch.must_see, patch.lit_by) == (6.8, True, ("key", "hair"))
    assert comments(file.read_text()) == comments(PLAN_TEXT)


def test_a_moved_patch_changes_its_box_and_nothing_else(file: Path) -> None:
    was = values_of(file, "lit cheek")
    save(file, was, replace(was, box=(0.5, 0.4, 0.55, 0.45)))
    expected = PLAN_TEXT.replace("[0.535, 0.44, 0.565, 0.49]", "[0.5, 0.4, 0.55, 0.45]")
    assert file.read_text() == expected


def test_a_renamed_patch_is_renamed_wherever_it_is_named(file: Path) -> None:
    was = values_of(file, "lit cheek")
    save(file, was, replace(was, name="key side"))
    plan = load_plan(file)
    assert plan.patch("key side")
    assert plan.ratios[0].lit == "key side"


def test_all_that_was_drawn_is_written_at_once_or_not_at_all(file: Path) -> None:
    cheek, hair = values_of(file, "lit cheek"), values_of(file, "hair")
    moved = PatchEdit(cheek, replace(cheek, box=(0.5, 0.4, 0.55, 0.45)))
    gone = PatchEdit(hair, None)
    wrong = PatchEdit(None, PatchValues("cap", (0.1, 0.1, 0.2, 0.2), "velvet"))
    with pytest.raises(PlanError, match="material"):
        save_edits(file, DrawnEdits(None, (moved, gone, wrong)))
    assert file.read_text() == PLAN_TEXT
    save_edits(file, DrawnEdits(None, (moved, gone)))
    assert [patch.name for patch in load_plan(file).patches] == ["lit cheek", "shadow cheek"]
    undo_edit(file)
    assert file.read_text() == PLAN_TEXT


def test_an_edit_elsewhere_in_the_file_is_kept(file: Path) -> None:
    was = values_of(file, "lit cheek")
    file.write_text(PLAN_TEXT.replace("iso = 100", "iso = 200"), encoding="utf-8")
    save(file, was, replace(was, zone=6.3))
    assert (load_plan(file).camera.iso, values_of(file, "lit cheek").zone) == (200, 6.3)


def test_an_edit_of_the_same_patch_meanwhile_is_never_overwritten(file: Path) -> None:
    was = values_of(file, "lit cheek")
    changed = PLAN_TEXT.replace("zone = 6.5", "zone = 6.0")
    file.write_text(changed, encoding="utf-8")
    with pytest.raises(Stale, match="changed in the plan meanwhile: zone"):
        save(file, was, replace(was, zone=6.3))
    assert file.read_text() == changed


def test_a_second_patch_of_a_name_is_refused(file: Path) -> None:
    with pytest.raises(Stale, match="There is a patch called"):
        save(file, None, PatchValues("hair", (0, 0, 0.1, 0.1)))


def test_a_patch_that_a_ratio_needs_stays(file: Path) -> None:
    with pytest.raises(PlanError, match="lit cheek"):
        save(file, values_of(file, "lit cheek"), None)
    assert file.read_text() == PLAN_TEXT


def test_a_patch_is_taken_out_and_put_back(file: Path) -> None:
    save(file, values_of(file, "hair"), None)
    assert load_plan(file).patch("hair") is None
    undo_edit(file)
    assert file.read_text() == PLAN_TEXT
    with pytest.raises(WrongUse, match="no edit"):
        undo_edit(file)


def test_backdrop_boxes_are_written_where_they_stand(file: Path) -> None:
    was = backdrop_boxes(load_plan(file))
    drawn = BackdropEdit(was, (*was, (0.4, 0.02, 0.6, 0.08)))
    save_edits(file, DrawnEdits(backdrop=drawn))
    assert len(backdrop_boxes(load_plan(file))) == 3
    with pytest.raises(Stale, match="meanwhile"):
        save_edits(file, DrawnEdits(backdrop=drawn))


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"box": (0.1, 0.1, 0.1, 0.5)}, "inside out"),
        ({"zone": 40.0}, "zone"),
        ({"material": "velvet"}, "material"),
        ({"name": "two\nlines"}, "one line"),
        ({"lit_by": ("moon",)}, "moon"),
    ],
)
def test_a_wrong_value_is_refused_in_words_and_nothing_is_written(
    file: Path, values: dict[str, Any], words: str
) -> None:
    was = values_of(file, "hair")
    with pytest.raises((WrongUse, PlanError), match=words):
        save(file, was, replace(was, **values))
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
        frame = record_from_json(on_plan(file="F0003.dng", look="in black"))
        place = Place(str(shoot), "F0003.dng", Stamp(1, 1, 1))
        kept = ledger.frames.keep(frame, place, sha256="0" * 64)
        said = MarkAction(kept.frame, "key").done(live)
        assert said.say == "plan.toml: solo of key is shoot/F0003.dng."
        assert solo_looks(ledger) == {"key": "in black"}
        with pytest.raises(WrongUse, match="neither a mark nor a lamp"):
            MarkAction(kept.frame, "moon").done(live)
        assert load_plan(file).frames.solo == {"key": "shoot/F0003.dng"}
        assert UndoAction().done(live).say == "Took the mark back."
        assert solo_looks(ledger) == {}
    assert load_plan(file).frames.solo == {}


def test_without_a_plan_what_needs_one_is_refused(tmp_path: Path) -> None:
    with Ledger(MEMORY) as ledger, pytest.raises(WrongUse, match="no plan"):
        LitAction(("key",)).done(LivePage(ledger, tmp_path, plan=lambda: None))


def test_what_is_said_reaches_the_ledger_for_the_watcher(tmp_path: Path) -> None:
    with Ledger(MEMORY) as ledger:
        plan = tmp_path / "plan.toml"
        plan.write_text(PLAN_TEXT + '[[look]]\nname = "in black"\n', encoding="utf-8")
        live = LivePage(ledger, tmp_path, plan=lambda: None, plan_path=plan)
        TakeAction("key -0.5").done(live)
        LitAction(("key", "fill")).done(live)
        LookAction("in black").done(live)
        ExpectAction(("ambient", "key")).done(live)
        said = [(order.kind, order.body) for order in ledger.orders.open()]
        assert said == [
            ("take", "key -0.5"),
            ("lit", ["key", "fill"]),
            ("look", "in black"),
            ("expect", ["ambient", "key"]),
        ]
        ExpectAction(()).done(live)
        assert [order.kind for order in ledger.orders.open()] == ["take", "lit", "look"]
        assert awaiting_now(ledger).left == ()


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
    with Ledger(MEMORY) as ledger:
        worn = plan_view(plan, ledger, look="in black")
        assert {one.values.name: one.look for one in worn.patches} == {
            "chip": None,
            "coat": "in black",
        }
        assert "coat" not in {one.values.name for one in plan_view(plan, ledger).patches}
        assert plan_view(plan, ledger, look="gone").look is None


def test_a_looks_patch_is_moved_renamed_and_taken_out_in_its_look(dressed: Path) -> None:
    was = PatchValues.of(load_plan(dressed).looks[0].patches[0])
    save(dressed, was, replace(was, name="cape", box=(0.1, 0.1, 0.2, 0.2)), "in black")
    look = load_plan(dressed).looks[0]
    assert (look.patches[0].name, look.patches[0].box) == ("cape", (0.1, 0.1, 0.2, 0.2))
    assert look.ratios[0].lit == "cape"
    assert "# the second dress" in dressed.read_text()
    hat = PatchValues("hat", (0, 0, 0.1, 0.1))
    save(dressed, None, hat, "in black")
    assert [patch.name for patch in load_plan(dressed).looks[0].patches] == ["cape", "hat"]
    save(dressed, hat, None, "in black")
    assert [patch.name for patch in load_plan(dressed).looks[0].patches] == ["cape"]


def test_a_patch_of_the_set_is_moved_in_the_plan_itself_while_a_look_is_worn(
    dressed: Path,
) -> None:
    was = values_of(dressed, "chip")
    save(dressed, was, replace(was, box=(0.7, 0.3, 0.8, 0.4)), "in black")
    assert values_of(dressed, "chip").box == (0.7, 0.3, 0.8, 0.4)
    save(dressed, None, PatchValues("lit cheek", (0, 0, 0.1, 0.1)), "in black")
    assert [patch.name for patch in load_plan(dressed).looks[0].patches] == ["coat", "lit cheek"]


def test_a_look_that_is_gone_takes_no_patch(dressed: Path) -> None:
    with pytest.raises(Stale, match="no look"):
        save(dressed, None, PatchValues("hat", (0, 0, 0.1, 0.1)), "in red")

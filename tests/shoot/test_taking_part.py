"""Adopting and marking beside a watch, and taking both back whole."""

from __future__ import annotations

import pytest

from stopwise.cli import run
from stopwise.errors import WrongUse
from stopwise.ledger import MEMORY, Ledger, Place, Stamp
from stopwise.plan import load_plan
from stopwise.record import record_from_json
from stopwise.shoot.look_frames import adopted_frame, reference_of, solo_looks
from stopwise.shoot.standing import Standing
from stopwise.shoot.watched_edits import adopt_frame, note_mark, undo_last
from support.page_scene import PLAN_TEXT, key_hot, on_plan
from support.set_day import lit_set, on_set, plan_without_frames, solos


@pytest.fixture
def plan(tmp_path):
    file = tmp_path / "plan.toml"
    file.write_text(PLAN_TEXT, encoding="utf-8")
    return file


@pytest.fixture
def ledger():
    with Ledger(MEMORY) as opened:
        yield opened


def watching(ledger, plan):
    """Return what a watch holds, the first take begun."""
    standing = Standing(ledger, lambda _: None)
    ledger.orders.say("take", "key -0.5")
    standing.hear(load_plan(plan))
    assert standing.take == 1
    return standing


def adopt(ledger, plan):
    return adopt_frame(
        ledger, record_from_json(key_hot(file="F0007.dng")), plan, frame=plan.parent / "F0007.dng"
    )


def test_an_adoption_taken_back_leaves_neither_targets_nor_take_nor_frames(ledger, plan):
    standing = watching(ledger, plan)
    adopt(ledger, plan)
    standing.hear(load_plan(plan))
    assert standing.take == 2
    assert adopted_frame(ledger, None) == plan.parent / "F0007.dng"
    assert undo_last(ledger, plan) == "adopt"
    standing.hear(load_plan(plan))
    assert plan.read_text(encoding="utf-8") == PLAN_TEXT
    assert standing.take == 1
    assert standing.run.begun.turned == {"key": -0.5}
    assert [take.number for take in ledger.takes.all()] == [1]
    assert adopted_frame(ledger, None) is None
    assert reference_of(ledger, None) is None
    assert Standing(ledger, lambda _: None).take == 1  # a watch that begins again goes on with it


def test_an_adoption_taken_back_before_the_watch_heard_of_it_begins_no_take(ledger, plan):
    standing = watching(ledger, plan)
    adopt(ledger, plan)
    undo_last(ledger, plan)
    assert not standing.hear(load_plan(plan))
    assert standing.take == 1


def test_a_take_that_was_begun_since_stays(ledger, plan):
    standing = watching(ledger, plan)
    adopt(ledger, plan)
    ledger.orders.say("take", "")
    standing.hear(load_plan(plan))
    assert standing.take == 3
    undo_last(ledger, plan)
    standing.hear(load_plan(plan))
    assert standing.take == 3


def test_a_take_in_which_frames_have_landed_stays_on_record(ledger, plan):
    standing = watching(ledger, plan)
    adopt(ledger, plan)
    standing.hear(load_plan(plan))
    place = Place(str(plan.parent), "F0008.dng", Stamp(1, 1, 1))
    ledger.frames.keep(record_from_json(on_plan(file="F0008.dng", take=2)), place, sha256="0" * 64)
    undo_last(ledger, plan)
    standing.hear(load_plan(plan))
    assert standing.take == 1
    assert [take.number for take in ledger.takes.all()] == [1, 2]


def test_a_plan_edited_since_is_left_alone_and_so_is_the_take(ledger, plan):
    standing = watching(ledger, plan)
    adopt(ledger, plan)
    standing.hear(load_plan(plan))
    plan.write_text(plan.read_text(encoding="utf-8") + "# mine\n", encoding="utf-8")
    with pytest.raises(WrongUse, match="changed since"):
        undo_last(ledger, plan)
    assert not ledger.orders.open()
    assert standing.take == 2


def test_a_solo_is_kept_with_the_look_that_its_frame_was_shot_in(ledger, plan):
    place = Place("/shoot", "F0003.dng", Stamp(1, 1, 1))
    kept = ledger.frames.keep(record_from_json(on_plan(look="in black")), place, sha256="0" * 64)
    note_mark(ledger, "key", kept, plan)
    note_mark(ledger, "grey", kept, plan)
    assert solo_looks(ledger) == {"key": "in black"}
    note_mark(ledger, "key", None, plan)  # a frame that the watch hasn't seen
    assert solo_looks(ledger) == {"key": None}


def test_the_command_ties_a_solo_to_the_look_of_its_frame_and_undoes_an_adoption_whole(
    tmp_path,
):
    with on_set(tmp_path, plan_without_frames()) as day:
        assert day.say("look", "in black") == 0
        frame = day.shot(solos()["key"])["file"]
        assert run(["mark", frame.removesuffix(".dng"), "key"]) == 0  # on set that is all
        with Ledger(day.ledger) as ledger:
            assert solo_looks(ledger) == {"key": "in black"}
        with pytest.MonkeyPatch.context() as alone:
            alone.setenv("XDG_DATA_HOME", str(tmp_path / "nobody"))
            assert run(["mark", frame, "key"]) == 2  # no watch tells of which plan
        before = day.plan.read_text(encoding="utf-8")
        day.shot(lit_set().frame(dict.fromkeys(lit_set().names, 0.0)))
        assert day.say("adopt", "--anyway") == 0
        assert day.said("Take 1 begins")
        assert day.say("adopt", "--undo") == 0
        assert day.said("no longer adopted")
        assert day.say("adopt", "--anyway") == 0
        assert day.say("plan", "undo", str(day.plan)) == 0
        with Ledger(day.ledger) as ledger:
            assert ledger.takes.all() == []
    assert day.plan.read_text(encoding="utf-8") == before

"""A lamp's own frames are held against the full set, and its card against a spot, at `mark`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from stopwise.cli import run
from stopwise.errors import WrongUse
from stopwise.ledger import Ledger
from stopwise.plan import load_plan
from stopwise.preparing.marks import mark_frame
from stopwise.shoot.dialling import prepare_dials
from support.set_day import lit_set, plan_with_solos, raw_of

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    """Return a plan with its solos marked, and a frame under all lamps as its reference."""
    text = plan_with_solos(tmp_path)
    (tmp_path / "full.dng").write_bytes(raw_of(lit_set().frame(), tmp_path))
    file = tmp_path / "plan.toml"
    text = text.replace("[frames]\n", '[frames]\nreference = "full.dng"\n')
    file.write_text(text, encoding="utf-8")
    return file


def laid(shot, folder: Path, name: str) -> Path:
    (folder / name).write_bytes(raw_of(shot, folder))
    return folder / name


def test_a_solo_that_got_the_other_heads_energy_is_refused_at_mark(plan: Path) -> None:
    """On a symmetric pack a head that is switched off gives its energy to the other: +1.0 stop."""
    doubled = laid(lit_set().frame({"key": 1.0}), plan.parent, "doubled.dng")
    with pytest.raises(WrongUse, match="Cap the other heads, don't switch them off"):
        mark_frame(doubled, "key", plan)
    assert load_plan(plan).frames.solo["key"] == "set-key.dng"


def test_a_right_solo_is_marked_again(plan: Path) -> None:
    again = laid(lit_set().solo("key"), plan.parent, "again.dng")
    assert mark_frame(again, "key", plan).endswith("solo of key is again.dng (was set-key.dng).")


def test_a_reference_says_which_solos_it_shows_to_be_wrong(plan: Path) -> None:
    """The key gave +1.0 alone: a full set in which it gives 1.0 less says so."""
    weaker = laid(
        lit_set().frame({**dict.fromkeys(lit_set().names, 0.0), "key": -1.0}),
        plan.parent,
        "weaker.dng",
    )
    said = mark_frame(weaker, "reference", plan)
    assert "The key lamp gave 1.0 stops more alone than with all lamps lit" in said
    assert load_plan(plan).frames.reference == "weaker.dng"


def test_dial_refuses_such_a_solo_where_nothing_was_turned_and_else_only_says_so(
    plan: Path,
) -> None:
    laid(lit_set().frame({"key": 1.0}), plan.parent, "set-key.dng")
    with Ledger(plan.parent / "l.sqlite") as ledger, pytest.raises(WrongUse, match="Cap the other"):
        prepare_dials(plan, ledger=ledger).solved()
    answer = prepare_dials(plan).solved()
    assert any("If key wasn't turned since: Cap the other" in one for one in answer.sentences)


def test_only_a_white_card_with_a_spot_is_marked_as_one(plan: Path, capfd) -> None:
    solo = plan.parent / "set-key.dng"
    assert run(["mark", str(solo), "key", "--white-card", "--plan", str(plan)]) == 2
    assert "No spot with its edge is seen on a plain white card" in capfd.readouterr().err
    assert not load_plan(plan).frames.white_card

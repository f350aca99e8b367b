"""The plan file while watching."""

from __future__ import annotations

import os
import threading
from functools import partial
from typing import TYPE_CHECKING, TypeVar

import pytest

from stopwise.errors import PathMissing, PlanError
from stopwise.folder import plan_file
from stopwise.folder.plan_file import PlanFile
from stopwise.plan.loading import load_plan
from support.watching import wait_until

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

T = TypeVar("T")


class Clock:
    """A clock that the test turns."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


def write(path: Path, title: str) -> None:
    path.write_text(f'schema = 1\ntitle = "{title}"\n', encoding="utf-8")


def test_an_edit_is_taken_up_between_frames_and_told_once(tmp_path: Path) -> None:
    path, notes = tmp_path / "plan.toml", []
    write(path, "one")
    plan = PlanFile(path, on_note=notes.append)
    assert plan.look().title == "one"
    write(path, "another")
    assert plan.look().title == "another"
    assert plan.look().title == "another"
    assert [told.condition.name for told in notes] == ["plan_read"]


def test_an_edit_that_changes_nothing_is_not_told(tmp_path: Path) -> None:
    path, notes = tmp_path / "plan.toml", []
    write(path, "one")
    plan = PlanFile(path, on_note=notes.append)
    path.write_text('schema = 1\n# a comment\ntitle = "one"\n', encoding="utf-8")
    assert plan.look().title == "one"
    assert notes == []


def test_a_broken_edit_keeps_the_old_plan_and_says_so_once_until_it_is_mended(
    tmp_path: Path,
) -> None:
    path, notes, clock = tmp_path / "plan.toml", [], Clock()
    write(path, "one")
    plan = PlanFile(path, on_note=notes.append, clock=clock)
    path.write_text("schema = 1\ntitel = 'two'\n", encoding="utf-8")
    assert plan.look().title == "one"
    assert notes == []
    for clock.now in (0.6, 1.0, 50.0):
        assert plan.look().title == "one"
    (told,) = notes
    assert told.condition.name == "plan_broken"
    assert "plan.toml:2" in told.text
    assert "titel" in told.text
    write(path, "mended")
    assert plan.look().title == "mended"
    path.write_text("schema = 1\ntitel = 'two, again'\n", encoding="utf-8")
    plan.look()
    clock.now = 60
    plan.look()
    assert [told.condition.name for told in notes] == ["plan_broken", "plan_read", "plan_broken"]


def test_a_plan_that_is_being_saved_is_no_mistake(tmp_path: Path) -> None:
    path, notes, clock = tmp_path / "plan.toml", [], Clock()
    write(path, "one")
    plan = PlanFile(path, on_note=notes.append, clock=clock)
    path.write_text("schema = 1\ntit", encoding="utf-8")
    plan.look()
    clock.now = 0.3
    write(path, "whole again")
    assert plan.look().title == "whole again"
    assert [told.condition.name for told in notes] == ["plan_read"]


def test_a_plan_that_is_taken_away_keeps_the_old_one_and_says_so(tmp_path: Path) -> None:
    path, notes, clock = tmp_path / "plan.toml", [], Clock()
    write(path, "one")
    plan = PlanFile(path, on_note=notes.append, clock=clock)
    path.unlink()
    plan.look()
    clock.now = 1
    assert plan.look().title == "one"
    assert [told.condition.name for told in notes] == ["plan_broken"]


def test_a_plan_that_is_wrong_or_missing_to_begin_with_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PathMissing, match=r"plan\.toml"):
        PlanFile(tmp_path / "plan.toml", on_note=print)
    (tmp_path / "plan.toml").write_text("schema = 2\n", encoding="utf-8")
    with pytest.raises(PlanError, match=r"plan\.toml:1"):
        PlanFile(tmp_path / "plan.toml", on_note=print)


def test_a_plan_that_was_emptied_keeps_the_last_one_and_says_so(tmp_path: Path) -> None:
    path, notes, clock = tmp_path / "plan.toml", [], Clock()
    write(path, "one")
    plan = PlanFile(path, on_note=notes.append, clock=clock)
    path.write_bytes(b"")
    for clock.now in (0.0, 1.0, 2.0):
        assert plan.look().title == "one"
    (told,) = notes
    assert (told.condition.name, told.detail) == ("plan_broken", f"{path} is empty.")
    write(path, "two")
    assert plan.look().title == "two"


def test_a_pipe_in_the_plans_place_is_not_read(tmp_path: Path) -> None:
    if not hasattr(os, "mkfifo"):
        pytest.skip("the system has no named pipes")
    path, notes, clock = tmp_path / "plan.toml", [], Clock()
    write(path, "one")
    plan = PlanFile(path, on_note=notes.append, clock=clock)
    path.unlink()
    os.mkfifo(path)
    for clock.now in (0.0, 1.0):
        assert plan.look().title == "one"
    (told,) = notes
    assert told.detail.startswith(f"{path} is a pipe or a device and no file")


def test_a_plan_that_is_cut_short_waits_and_one_that_stays_so_was_meant(tmp_path: Path) -> None:
    path, notes, clock = tmp_path / "plan.toml", [], Clock()
    lamps = [f'[[light]]\nname = "{name}"\n' for name in ("key", "fill")]
    path.write_text("".join(lamps), encoding="utf-8")
    plan = PlanFile(path, on_note=notes.append, clock=clock)
    for text in (lamps[0], "".join([*lamps, "# saved\n"]), lamps[0]):
        path.write_text(text, encoding="utf-8")
        assert [light.name for light in plan.look().lights] == ["key", "fill"]
        clock.now += 0.3
    assert notes == []
    clock.now += 0.3
    assert [light.name for light in plan.look().lights] == ["key"]
    assert [told.condition.name for told in notes] == ["plan_read"]


@pytest.mark.parametrize("text", ["", "\n\n", "# all of it is gone\n"])
def test_a_plan_that_says_nothing_any_more_is_not_taken(text: str, tmp_path: Path) -> None:
    path, notes, clock = tmp_path / "plan.toml", [], Clock()
    write(path, "one")
    plan = PlanFile(path, on_note=notes.append, clock=clock)
    path.write_text(text, encoding="utf-8")
    for clock.now in (0.0, 1.0, 2.0):
        assert plan.look().title == "one"
    (told,) = notes
    assert told.detail == f"{path} is empty."


@pytest.mark.parametrize("hanging", ["look", "reading"])
def test_a_medium_that_hangs_holds_up_neither_the_loop_nor_the_last_plan(
    hanging: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, notes, answers = tmp_path / "plan.toml", [], threading.Event()
    write(path, "one")
    plan = PlanFile(path, on_note=notes.append)
    looks = []

    def hang(act: Callable[[Path], T], file: Path) -> T:
        looks.append(file)
        assert answers.wait(60)
        return act(file)

    if hanging == "look":
        monkeypatch.setattr(plan_file, "_stamp_of", partial(hang, plan_file._stamp_of))
    else:
        plan._load = partial(hang, load_plan)
    write(path, "two")
    assert [plan.look().title for _ in range(3)] == ["one"] * 3
    assert len(looks) == 1
    answers.set()
    wait_until(lambda: plan.look().title == "two")
    assert [told.condition.name for told in notes] == ["plan_read"]

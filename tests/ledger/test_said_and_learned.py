"""Orders, takes, marks, settings, saturation levels and solos in the ledger."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from stopwise.ledger import Ledger, LevelKey, Place, Stamp
from stopwise.ledger.learned import MOST_ABOVE

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

BODY = LevelKey("Made", "One", 100.0, 4095.0)


@pytest.fixture
def ledger() -> Iterator[Ledger]:
    with Ledger(":memory:") as made:
        yield made


def test_an_order_is_heard_once_by_the_watcher_and_kept_with_its_answer(tmp_path: Path) -> None:
    with Ledger(tmp_path / "l") as command, Ledger(tmp_path / "l") as watcher:
        said = command.orders.say("expect", ["grey", "ambient"])
        (heard,) = watcher.orders.open("expect")
        assert heard.body == ["grey", "ambient"]
        watcher.orders.finish(heard.number, {"marked": "F1.dng"})
        assert command.orders.open() == []
        (kept,) = command.orders.all("expect")
        assert kept.number == said.number
        assert kept.answer == {"marked": "F1.dng"}
        assert kept.done_ns is not None


def test_the_last_order_of_a_kind_holds_until_it_is_undone(ledger: Ledger) -> None:
    ledger.orders.say("lit", ["key"])
    ledger.orders.say("lit", ["key", "fill"])
    ledger.orders.say("look", "black jacket")

    latest = ledger.orders.latest("lit")
    assert latest is not None
    assert latest.body == ["key", "fill"]
    undone = ledger.orders.undo("lit")
    assert undone is not None
    assert undone.body == ["key", "fill"]
    latest = ledger.orders.latest("lit")
    assert latest is not None
    assert latest.body == ["key"]
    ledger.orders.undo("lit")
    assert ledger.orders.undo("lit") is None
    assert ledger.orders.latest("lit") is None
    assert [order.kind for order in ledger.orders.open()] == ["look"]


def test_takes_count_up_and_know_what_was_turned_and_after_which_frame(ledger: Ledger) -> None:
    assert ledger.takes.current() is None
    ledger.takes.begin(name="first")
    record = {"file": "F1", "verdict": "measured"}
    frame = ledger.frames.keep(record, Place("/f", "F1", Stamp(1, 1, 1)), sha256="a").frame
    ledger.takes.begin({"key": -0.5}, look="black")

    first, second = ledger.takes.all()
    assert (first.number, first.name, first.after_frame) == (1, "first", None)
    assert (second.number, second.turned, second.look) == (2, {"key": -0.5}, "black")
    assert second.after_frame == frame
    assert ledger.takes.current() == second


def test_a_mark_moves_to_the_newer_frame_and_back_when_undone(ledger: Ledger) -> None:
    frames = [
        ledger.frames.keep(
            {"file": name, "verdict": "measured"}, Place("/f", name, Stamp(1, 1, 1)), sha256=name
        ).frame
        for name in ("F1", "F2")
    ]
    ledger.marks.set("grey", frames[0])
    ledger.marks.set("key", frames[0])
    ledger.marks.set("grey", frames[1])
    assert ledger.marks.now() == {"grey": frames[1], "key": frames[0]}
    ledger.marks.undo("grey")
    assert ledger.marks.now() == {"grey": frames[0], "key": frames[0]}


def test_settings_hold_any_json(ledger: Ledger) -> None:
    assert ledger.settings.get("quiet", default=7) == 7
    ledger.settings.set("quiet", {"on": [1, None]})
    ledger.settings.set("quiet", {"on": [2, None]})
    assert ledger.settings.get("quiet") == {"on": [2, None]}


def test_a_level_is_believed_from_two_frames_on_and_is_their_median(ledger: Ledger) -> None:
    ledger.levels.learn(BODY, "a", {"R": 3800.0, "G": 3860.0})
    ledger.levels.learn(BODY, "a", {"R": 3800.0})
    assert ledger.levels.learned(BODY) == {}
    ledger.levels.learn(BODY, "b", {"R": 3804.0})
    assert ledger.levels.learned(BODY) == {"R": 3802.0}
    ledger.levels.learn(BODY, "c", {"R": 3900.0, "G": 3864.0})
    assert ledger.levels.learned(BODY) == {"R": 3804.0, "G": 3862.0}


@pytest.mark.parametrize(
    "other",
    [
        BODY._replace(make="Else"),
        BODY._replace(model="Two"),
        BODY._replace(iso=200.0),
        BODY._replace(white=16383.0),
        BODY._replace(iso=None),
        LevelKey(None, None, None, 4095.0),
    ],
)
def test_a_level_holds_only_for_its_body_iso_and_named_white(
    ledger: Ledger, other: LevelKey
) -> None:
    for sha in ("a", "b"):
        ledger.levels.learn(BODY, sha, {"R": 3800.0})
        ledger.levels.learn(other, sha, {"R": 100.0})
    assert ledger.levels.learned(BODY) == {"R": 3800.0}
    assert ledger.levels.all() == {BODY: {"R": 3800.0}, other: {"R": 100.0}}
    assert ledger.levels.all()[tuple(BODY)] == {"R": 3800.0}  # type: ignore[index]


def test_a_level_that_too_many_photosites_pass_is_dropped(ledger: Ledger) -> None:
    for sha in ("a", "b"):
        ledger.levels.learn(BODY, sha, {"R": 3800.0, "G": 3860.0})
    assert ledger.levels.refute(BODY, {"R": MOST_ABOVE, "G": 1.1 * MOST_ABOVE}) == ["G"]
    assert ledger.levels.learned(BODY) == {"R": 3800.0}
    ledger.levels.learn(BODY, "c", {"G": 3900.0})
    assert ledger.levels.learned(BODY) == {"R": 3800.0}


def test_only_the_last_frames_of_many_are_held(ledger: Ledger) -> None:
    for number in range(120):
        ledger.levels.learn(BODY, f"{number}", {"R": float(number), "G": 1.0})
    assert ledger.levels.learned(BODY) == {"R": 94.5, "G": 1.0}


def test_a_solo_is_kept_by_content_and_way_of_making(ledger: Ledger) -> None:
    ledger.solos.keep("a", "block 8", b"\x00\xff")
    ledger.solos.keep("a", "block 8", b"\x01")
    assert ledger.solos.get("a", "block 8") == b"\x01"
    assert ledger.solos.get("a", "block 16") is None


def test_the_cache_of_solos_does_not_grow_for_ever(ledger: Ledger) -> None:
    for number in range(100):
        ledger.solos.keep(f"{number}", "v", b"x")
    kept = [number for number in range(100) if ledger.solos.get(f"{number}", "v") is not None]
    assert kept == list(range(36, 100))

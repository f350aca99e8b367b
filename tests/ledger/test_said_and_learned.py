"""Orders, takes, settings, saturation levels and solos in the ledger."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from stopwise.frame import Camera, CameraKey, Exposure, Frame, NamedLevels
from stopwise.ledger import Ledger, Place, Stamp
from stopwise.ledger.learned import MOST_ABOVE
from stopwise.pipeline.plan_frames import levels_of
from stopwise.record import Record

if TYPE_CHECKING:
    from collections.abc import Iterator

RED = CameraKey("Made", "One", 100.0, 4095.0, "R")
GREEN = RED._replace(colour="G")


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


def test_the_last_order_of_a_kind_is_undone_first(ledger: Ledger) -> None:
    ledger.orders.say("lit", ["key"])
    ledger.orders.say("lit", ["key", "fill"])
    ledger.orders.say("look", "black jacket")
    undone = [ledger.orders.undo("lit") for _ in range(3)]
    assert [order and order.body for order in undone] == [["key", "fill"], ["key"], None]
    assert [order.kind for order in ledger.orders.open()] == ["look"]


def test_takes_count_up_and_know_what_was_turned_and_after_which_frame(ledger: Ledger) -> None:
    ledger.takes.begin(name="first")
    record = Record("F1", "measured")
    frame = ledger.frames.keep(record, Place("/f", "F1", Stamp(1, 1, 1)), sha256="a").frame
    ledger.takes.begin({"key": -0.5}, look="black")

    first, second = ledger.takes.all()
    assert (first.number, first.name, first.after_frame) == (1, "first", None)
    assert (second.number, second.turned, second.look) == (2, {"key": -0.5}, "black")
    assert second.after_frame == frame


def test_settings_hold_any_json(ledger: Ledger) -> None:
    assert ledger.settings.get("quiet", default=7) == 7
    ledger.settings.set("quiet", {"on": [1, None]})
    ledger.settings.set("quiet", {"on": [2, None]})
    assert ledger.settings.get("quiet") == {"on": [2, None]}


def test_a_level_is_believed_from_two_frames_on_and_is_their_median(ledger: Ledger) -> None:
    ledger.levels.learn("a", {RED: 3800.0, GREEN: 3860.0})
    ledger.levels.learn("a", {RED: 3800.0})
    assert ledger.levels.believed() == {}
    ledger.levels.learn("b", {RED: 3804.0})
    assert ledger.levels.believed() == {RED: 3802.0}
    ledger.levels.learn("c", {RED: 3900.0, GREEN: 3864.0})
    assert ledger.levels.believed() == {RED: 3804.0, GREEN: 3862.0}


@pytest.mark.parametrize(
    "other",
    [
        RED._replace(make="Else"),
        RED._replace(model="Two"),
        RED._replace(iso=200.0),
        RED._replace(white=16383.0),
        RED._replace(iso=0.0),
        CameraKey("", "", 0.0, 4095.0, "R"),
    ],
)
def test_a_level_holds_only_for_its_body_iso_and_named_white(
    ledger: Ledger, other: CameraKey
) -> None:
    for sha in ("a", "b"):
        ledger.levels.learn(sha, {RED: 3800.0, other: 100.0})
    assert ledger.levels.believed() == {RED: 3800.0, other: 100.0}


def test_a_level_that_too_many_photosites_pass_is_dropped(ledger: Ledger) -> None:
    for sha in ("a", "b"):
        ledger.levels.learn(sha, {RED: 3800.0, GREEN: 3860.0})
    assert ledger.levels.refute({RED: MOST_ABOVE, GREEN: 1.1 * MOST_ABOVE}) == [GREEN]
    assert ledger.levels.believed() == {RED: 3800.0}
    ledger.levels.learn("c", {GREEN: 3900.0})
    assert ledger.levels.believed() == {RED: 3800.0}


def test_one_frame_shot_over_is_believed_over_others_until_it_is_untaught_or_refuted(
    ledger: Ledger,
) -> None:
    for sha in ("a", "b"):
        ledger.levels.learn(sha, {RED: 3800.0})
    ledger.levels.teach("c", {RED: 3830.0, GREEN: 3860.0})
    ledger.levels.teach("c", {RED: 3831.0, GREEN: 3860.0})
    assert ledger.levels.believed() == {RED: 3831.0, GREEN: 3860.0}
    ledger.levels.learn("d", {RED: 3800.0})
    assert ledger.levels.believed()[RED] == 3831.0
    assert ledger.levels.refute({GREEN: 2 * MOST_ABOVE}) == [GREEN]
    assert ledger.levels.believed() == {RED: 3831.0}
    ledger.levels.unteach()
    assert ledger.levels.believed() == {RED: 3800.0}


def test_only_the_last_frames_of_many_are_held(ledger: Ledger) -> None:
    for number in range(120):
        ledger.levels.learn(f"{number}", {RED: float(number), GREEN: 1.0})
    assert ledger.levels.believed() == {RED: 94.5, GREEN: 1.0}


@pytest.mark.parametrize(
    ("camera", "iso"),
    [
        (Camera("Made", "One"), 100.0),
        (Camera(None, "One"), 100.0),
        (Camera("Made", "One"), None),
        (Camera("", None), 0.0),
        (Camera(), None),
    ],
)
def test_what_a_camera_taught_is_found_again_though_make_or_iso_is_missing(
    ledger: Ledger, camera: Camera, iso: float | None
) -> None:
    frame = Frame(
        Path("F1.dng"),
        np.zeros((4, 4), np.uint16),
        np.array([[0, 1], [3, 2]], np.uint8),
        ("R", "G", "B", "G2"),
        NamedLevels((0.0,) * 4, (4095.0,) * 4, "white", 4095.0),
        camera=camera,
        exposure=Exposure(iso=iso),
    )
    for sha in ("a", "b"):
        ledger.levels.learn(sha, {frame.key_of(name): 3800.0 for name in ("R", "G2")})
    assert levels_of(frame, ledger.levels.believed()) == {"R": 3800.0, "G2": 3800.0}


def test_a_solo_is_kept_by_content_and_way_of_making(ledger: Ledger) -> None:
    ledger.solos.keep("a", "block 8", b"\x00\xff")
    ledger.solos.keep("a", "block 8", b"\x01")
    assert ledger.solos.get("a", "block 8") == b"\x01"
    assert ledger.solos.get("a", "block 16") is None


def test_the_cache_of_solos_does_not_grow_for_ever(ledger: Ledger) -> None:
    for number in range(200):
        ledger.solos.keep(f"{number}", "v", b"x")
    kept = [number for number in range(200) if ledger.solos.get(f"{number}", "v") is not None]
    assert kept == list(range(72, 200))

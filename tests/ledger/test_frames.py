"""Frames in the ledger: one row a content, its places, versions and deletions."""

from __future__ import annotations

import hashlib
import sqlite3
from contextlib import closing
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stopwise.errors import LedgerError
from stopwise.ledger import Ledger, Place, Stamp
from stopwise.record import Record

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from stopwise.findings import Answer

FOLDER = "/shoot"


def digest(content: str) -> str:
    return hashlib.sha256(content.encode()).hexdigest()


def record(file: str, verdict: Answer = "on plan") -> Record:
    return Record(file, verdict, take=2, look="ii")


def place(path: str, stamp: tuple[int, int, int] = (10, 20, 30)) -> Place:
    return Place(FOLDER, path, Stamp(*stamp))


@pytest.fixture
def ledger() -> Iterator[Ledger]:
    with Ledger(":memory:") as made:
        yield made


def test_a_record_comes_back_as_it_was_kept_with_its_hash(ledger: Ledger) -> None:
    kept = ledger.frames.keep(record("F1.dng"), place("F1.dng"), sha256=digest("a"), landed_ns=5)

    assert kept.is_new
    (found,) = ledger.frames.all()
    assert found.record == replace(record("F1.dng"), sha256=digest("a"))
    assert (found.frame, found.landed_ns) == (kept.frame, 5)


def test_what_stands_in_a_records_place_is_told_in_a_sentence(tmp_path: Path) -> None:
    with Ledger(tmp_path / "l.sqlite") as ledger:
        ledger.frames.keep(record("F1.dng"), place("F1.dng"), sha256=digest("a"))
    with closing(sqlite3.connect(tmp_path / "l.sqlite")) as written, written:
        written.execute("UPDATE frames SET record = 7")
    with (
        Ledger(tmp_path / "l.sqlite") as ledger,
        pytest.raises(LedgerError, match="Frame 1 of the ledger has no record"),
    ):
        list(ledger.frames.all())


def test_one_content_is_one_row_and_other_paths_are_its_aliases(ledger: Ledger) -> None:
    first = ledger.frames.keep(record("F1.dng"), place("F1.dng"), sha256=digest("a"))
    second = ledger.frames.keep(record("copy.dng"), place("copy.dng"), sha256=digest("a"))

    assert not second.is_new
    assert second.frame == first.frame
    assert second.record.file == "F1.dng"
    assert ledger.frames.count() == 1
    assert ledger.frames.places_of(first.frame) == [(FOLDER, "F1.dng"), (FOLDER, "copy.dng")]


def test_a_rewritten_file_is_a_new_version_linked_to_the_old_one(ledger: Ledger) -> None:
    old = ledger.frames.keep(record("F1.dng"), place("F1.dng"), sha256=digest("a"))
    new = ledger.frames.keep(record("F1.dng"), place("F1.dng", (11, 21, 30)), sha256=digest("b"))

    assert new.is_new
    assert new.version_of == old.frame
    assert ledger.frames.places_of(old.frame) == []
    assert ledger.frames.known(FOLDER)["F1.dng"].frame == new.frame


def test_a_version_is_linked_over_a_deletion_too(ledger: Ledger) -> None:
    old = ledger.frames.keep(record("F1.dng"), place("F1.dng"), sha256=digest("a"))
    ledger.frames.mark_gone(FOLDER, ["F1.dng"])
    new = ledger.frames.keep(record("F1.dng"), place("F1.dng"), sha256=digest("b"))

    assert new.version_of == old.frame


def test_a_file_that_takes_back_its_old_content_points_to_the_old_row(ledger: Ledger) -> None:
    old = ledger.frames.keep(record("F1.dng"), place("F1.dng"), sha256=digest("a"))
    ledger.frames.keep(record("F1.dng"), place("F1.dng"), sha256=digest("b"))
    back = ledger.frames.keep(record("F1.dng"), place("F1.dng"), sha256=digest("a"))

    assert not back.is_new
    assert ledger.frames.known(FOLDER)["F1.dng"].frame == old.frame
    assert ledger.frames.count() == 2


def test_a_deletion_is_noted_and_the_record_stays(ledger: Ledger) -> None:
    kept = ledger.frames.keep(record("F1.dng"), place("F1.dng"), sha256=digest("a"))
    ledger.frames.mark_gone(FOLDER, ["F1.dng"])

    assert ledger.frames.known(FOLDER)["F1.dng"].is_gone
    assert ledger.frames.places_of(kept.frame) == []
    assert ledger.frames.count() == 1

    ledger.frames.mark_back(FOLDER, {"F1.dng": Stamp(10, 20, 30)})
    assert not ledger.frames.known(FOLDER)["F1.dng"].is_gone


def test_frames_come_in_landing_order_though_written_otherwise(ledger: Ledger) -> None:
    for name, landed in (("new", 30), ("old", 10), ("between", 20)):
        ledger.frames.keep(record(name), place(name), sha256=digest(name), landed_ns=landed)

    files = [kept.record.file for kept in ledger.frames.all()]
    assert files == ["old", "between", "new"]
    assert [kept.record.file for kept in ledger.frames.all(last=2)] == ["between", "new"]
    assert [kept.record.file for kept in ledger.frames.all(after_frame=1)] == ["old", "between"]
    assert ledger.frames.last_landed_ns() == 30


def test_a_frame_is_found_by_name_part_of_name_hash_and_stamp(ledger: Ledger) -> None:
    kept = ledger.frames.keep(record("day/F1.dng"), place("day/F1.dng"), sha256=digest("a"))

    for found in (
        ledger.frames.by_name("day/F1.dng"),
        ledger.frames.by_name("F1.dng"),
        ledger.frames.by_name("F1"),
        ledger.frames.by_hash(digest("a")),
        ledger.frames.by_stamp(Stamp(10, 20, 30)),
    ):
        assert found is not None
        assert found.frame == kept.frame
    for name in ("1.dng", "1", "F1.", "day", "F", ""):
        assert ledger.frames.by_name(name) is None, name
    assert ledger.frames.by_hash(digest("b")) is None
    assert ledger.frames.by_stamp(Stamp(10, 20, 31)) is None


def test_a_file_dated_past_what_the_ledger_can_hold_is_kept_with_the_last_date_it_can(
    ledger: Ledger,
) -> None:
    class Status:
        st_size, st_ino = 10, 2**64 - 1
        st_mtime_ns = 2**63 + 5  # in the year 2262

    stamp = Stamp.of(Status())  # type: ignore[arg-type]
    there = Place(FOLDER, "F1.dng", stamp)
    kept = ledger.frames.keep(record("F1.dng"), there, sha256=digest("a"), landed_ns=2**63 + 5)
    found = ledger.frames.by_stamp(stamp)
    assert found is not None
    assert found.frame == kept.frame


def test_two_folders_may_hold_the_same_names(ledger: Ledger) -> None:
    ledger.frames.keep(record("F1.dng"), place("F1.dng"), sha256=digest("a"))
    other = Place("/other", "F1.dng", Stamp(1, 2, 3))
    kept = ledger.frames.keep(record("F1.dng"), other, sha256=digest("b"))

    assert kept.version_of is None
    assert ledger.frames.known(FOLDER)["F1.dng"].stamp == Stamp(10, 20, 30)
    assert ledger.frames.known("/other")["F1.dng"].stamp == Stamp(1, 2, 3)


def test_take_look_and_verdict_can_be_asked_for_in_sql(ledger: Ledger) -> None:
    ledger.frames.keep(record("F1.dng", "off plan"), place("F1.dng"), sha256=digest("a"))
    with ledger.atomic() as connection:
        row = connection.execute("SELECT verdict, take, look, bytes FROM frames").fetchone()
    assert row == ("off plan", 2, "ii", 10)


def test_a_figure_that_json_has_no_name_for_is_kept_as_none(ledger: Ledger) -> None:
    timed = replace(record("F1.dng"), timing_ms={"decode": float("nan")})
    assert ledger.frames.keep(timed, place("F1.dng"), sha256=digest("a")).row["timing_ms"] == {
        "decode": None
    }


names = st.binary(min_size=1, max_size=255).filter(lambda name: b"/" not in name and 0 not in name)


@given(names)
def test_any_name_that_a_file_can_have_comes_back_the_same(raw: bytes) -> None:
    import os

    name = os.fsdecode(raw)
    with Ledger(":memory:") as ledger:
        ledger.frames.keep(record(name), place(name), sha256=digest("a"))
        assert set(ledger.frames.known(FOLDER)) == {name}
        (kept,) = ledger.frames.all()
        assert kept.record.file == name
        found = ledger.frames.by_name(name)
        assert found is not None
        assert found == ledger.frames.by_name(name.rpartition(".")[0] or name)

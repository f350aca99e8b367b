"""Records are written in order, and wait where the ledger can't be written."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from stopwise.errors import LedgerDamaged, LedgerError, LedgerFull
from stopwise.folder.record_writer import Finished, RecordWriter
from stopwise.ledger import Ledger, Place, Stamp, database
from stopwise.record import Record

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from stopwise.folder.watch_notes import Note
    from stopwise.ledger import Kept


def finished(name: str, *, is_gone: bool = False, is_same: bool = False) -> Finished:
    record = Record(name, "measured")
    place = Place("/shoot", name, Stamp(1, 2, 3))
    return Finished(None if is_same else record, place, name[:2], 5, is_gone=is_gone)


class Writing:
    """A writer with what it has told; its ledger fails while `error` is set."""

    def __init__(self, ledger: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
        self.ledger = ledger
        self.kept: list[str] = []
        self.notes: list[Note] = []
        self.renewed = 0
        self.error: LedgerError | None = None
        self.writer = RecordWriter(
            ledger, on_kept=self._keep, on_note=self.notes.append, on_renewed=self._renew
        )
        keep = ledger.frames.keep
        monkeypatch.setattr(ledger.frames, "keep", lambda *a, **k: self._fail() or keep(*a, **k))

    @property
    def told(self) -> list[str]:
        return [told.condition.name for told in self.notes]

    def files(self) -> list[str]:
        return [kept.record.file for kept in self.ledger.frames.all()]

    def _fail(self) -> Any:
        if self.error is not None:
            raise self.error

    def _keep(self, kept: Kept, _finished: Finished) -> None:
        self.kept.append(kept.record.file)

    def _renew(self) -> None:
        self.renewed += 1
        self.error = None


@pytest.fixture
def writing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Writing]:
    with Ledger(tmp_path / "l.sqlite") as ledger:
        yield Writing(ledger, monkeypatch)


def test_a_record_is_told_only_after_it_is_kept(writing: Writing) -> None:
    writing.writer.write(finished("F1"), 0)
    assert writing.kept == writing.files() == ["F1"]


def test_a_full_disk_is_stated_at_once_with_the_record_and_retried_in_order(
    writing: Writing,
) -> None:
    writing.error = LedgerFull("no room")
    writing.writer.write(finished("F1"), 0)
    assert writing.told == ["ledger_waits"]
    assert "no room" in writing.notes[0].text
    record = writing.notes[0].record
    assert record is not None
    assert record.file == "F1"
    writing.writer.write(finished("F2"), 1)
    writing.writer.work(1.5)
    assert (writing.kept, writing.writer.waiting, writing.writer.next_due()) == ([], 2, 2)
    assert [told.record.file for told in writing.notes if told.record] == ["F1", "F2"]

    writing.writer.work(2)
    assert writing.writer.next_due() == 4
    writing.error = None
    writing.writer.work(4)
    assert writing.kept == writing.files() == ["F1", "F2"]
    assert writing.told == ["ledger_waits", "ledger_waits", "ledger_writes"]
    assert (writing.writer.waiting, writing.writer.next_due()) == (0, None)


def test_a_damaged_ledger_is_set_aside_and_what_waits_goes_into_the_new_one(
    writing: Writing,
) -> None:
    writing.writer.write(finished("F1"), 0)
    writing.error = LedgerDamaged("torn")
    writing.writer.write(finished("F2"), 1)
    assert writing.renewed == 1
    assert "l.sqlite.damaged-" in writing.notes[-1].text
    writing.writer.work(1)
    assert writing.files() == ["F2"]
    assert writing.kept == ["F1", "F2"]


def test_a_locked_ledger_delays_the_verdict_by_less_than_a_second(
    writing: Writing, tmp_path: Path
) -> None:
    tries = []
    writing.ledger.on_wait = lambda: tries.append("locked") is None
    with Ledger(tmp_path / "l.sqlite") as other, other.atomic():
        writing.writer.write(finished("F1"), 0)
        assert (1 + len(tries)) * database._TRY_S < 1.0
        assert writing.told == ["ledger_waits"]
        assert writing.notes[0].record is not None
        assert writing.notes[0].record.file == "F1"
    writing.writer.work(2)
    assert writing.files() == ["F1"]
    assert writing.told == ["ledger_waits", "ledger_writes"]


def test_a_place_whose_content_is_known_is_noted_without_a_record(writing: Writing) -> None:
    writing.writer.write(finished("F1"), 0)
    writing.writer.write(finished("F1 copy", is_same=True), 0)
    assert writing.files() == ["F1"]
    assert set(writing.ledger.frames.known("/shoot")) == {"F1", "F1 copy"}


def test_deletions_and_returns_are_noted_with_the_next_work(writing: Writing) -> None:
    writing.writer.write(finished("F1"), 0)
    writing.writer.write(finished("F2", is_gone=True), 0)
    writing.writer.note_moves("/shoot", gone=["F1"], back={})
    writing.writer.work(1)
    known = writing.ledger.frames.known("/shoot")
    assert {path: there.is_gone for path, there in known.items()} == {"F1": True, "F2": True}
    writing.writer.note_moves("/shoot", gone=[], back={"F1": Stamp(1, 2, 3)})
    writing.writer.work(2)
    assert not writing.ledger.frames.known("/shoot")["F1"].is_gone


def test_a_path_that_another_file_took_while_the_disk_was_full_is_there_afterwards(
    writing: Writing,
) -> None:
    writing.error = LedgerFull("no room")
    writing.writer.write(finished("F1"), 0)
    writing.writer.note_moves("/shoot", gone=["F1"], back={})
    anew = finished("F1")
    writing.writer.write(replace(anew, sha256="another"), 1)
    writing.error = None
    writing.writer.work(2)
    assert writing.ledger.frames.known("/shoot")["F1"].frame == 2
    assert not writing.ledger.frames.known("/shoot")["F1"].is_gone

"""Records are written in order, and wait where the ledger can't be written."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from stopwise.errors import LedgerDamaged, LedgerError, LedgerFull
from stopwise.folder.keeping import Finished, Scribe
from stopwise.ledger import Ledger, Place, Stamp
from stopwise.record import Record

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from stopwise.folder.notes import Note
    from stopwise.ledger import Kept


def finished(name: str, *, is_gone: bool = False, is_same: bool = False) -> Finished:
    record = Record(name, "measured")
    place = Place("/shoot", name, Stamp(1, 2, 3))
    return Finished(None if is_same else record, place, name[:2], 5, is_gone=is_gone)


class Desk:
    """A scribe with what it has told; its ledger fails while `error` is set."""

    def __init__(self, ledger: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
        self.ledger = ledger
        self.kept: list[str] = []
        self.notes: list[Note] = []
        self.renewed = 0
        self.error: LedgerError | None = None
        self.scribe = Scribe(
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
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Desk]:
    with Ledger(tmp_path / "l.sqlite") as ledger:
        yield Desk(ledger, monkeypatch)


def test_a_record_is_told_only_after_it_is_kept(desk: Desk) -> None:
    desk.scribe.write(finished("F1"), 0)
    assert desk.kept == desk.files() == ["F1"]


def test_a_full_disk_is_stated_at_once_with_the_record_and_retried_in_order(desk: Desk) -> None:
    desk.error = LedgerFull("no room")
    desk.scribe.write(finished("F1"), 0)
    assert desk.told == ["ledger_waits"]
    assert "no room" in desk.notes[0].text
    record = desk.notes[0].record
    assert record is not None
    assert record.file == "F1"
    desk.scribe.write(finished("F2"), 1)
    desk.scribe.work(1.5)
    assert (desk.kept, desk.scribe.waiting, desk.scribe.next_due()) == ([], 2, 2)
    assert [told.record.file for told in desk.notes if told.record] == ["F1", "F2"]

    desk.scribe.work(2)
    assert desk.scribe.next_due() == 4
    desk.error = None
    desk.scribe.work(4)
    assert desk.kept == desk.files() == ["F1", "F2"]
    assert desk.told == ["ledger_waits", "ledger_waits", "ledger_writes"]
    assert (desk.scribe.waiting, desk.scribe.next_due()) == (0, None)


def test_a_damaged_ledger_is_set_aside_and_what_waits_goes_into_the_new_one(desk: Desk) -> None:
    desk.scribe.write(finished("F1"), 0)
    desk.error = LedgerDamaged("torn")
    desk.scribe.write(finished("F2"), 1)
    assert desk.renewed == 1
    assert "l.sqlite.damaged-" in desk.notes[-1].text
    desk.scribe.work(1)
    assert desk.files() == ["F2"]
    assert desk.kept == ["F1", "F2"]


def test_a_place_whose_content_is_known_is_noted_without_a_record(desk: Desk) -> None:
    desk.scribe.write(finished("F1"), 0)
    desk.scribe.write(finished("F1 copy", is_same=True), 0)
    assert desk.files() == ["F1"]
    assert set(desk.ledger.frames.known("/shoot")) == {"F1", "F1 copy"}


def test_deletions_and_returns_are_noted_with_the_next_work(desk: Desk) -> None:
    desk.scribe.write(finished("F1"), 0)
    desk.scribe.write(finished("F2", is_gone=True), 0)
    desk.scribe.note_places("/shoot", gone=["F1"], back={})
    desk.scribe.work(1)
    known = desk.ledger.frames.known("/shoot")
    assert {path: there.is_gone for path, there in known.items()} == {"F1": True, "F2": True}
    desk.scribe.note_places("/shoot", gone=[], back={"F1": Stamp(1, 2, 3)})
    desk.scribe.work(2)
    assert not desk.ledger.frames.known("/shoot")["F1"].is_gone


def test_a_path_that_another_file_took_while_the_disk_was_full_is_there_afterwards(
    desk: Desk,
) -> None:
    desk.error = LedgerFull("no room")
    desk.scribe.write(finished("F1"), 0)
    desk.scribe.note_places("/shoot", gone=["F1"], back={})
    anew = finished("F1")
    desk.scribe.write(replace(anew, sha256="another"), 1)
    desk.error = None
    desk.scribe.work(2)
    assert desk.ledger.frames.known("/shoot")["F1"].frame == 2
    assert not desk.ledger.frames.known("/shoot")["F1"].is_gone

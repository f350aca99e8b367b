"""The ledger's file: whole transactions, migrations, damage, full disks, two at once."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import threading
from random import Random
from typing import TYPE_CHECKING, Any

import pytest

from stopwise.errors import LedgerDamaged, LedgerError, LedgerFull, PathMissing
from stopwise.ledger import Ledger, Place, Stamp, database
from stopwise.ledger.database import APPLICATION_ID
from stopwise.record import Record
from support.watching import tiny_raw

if TYPE_CHECKING:
    from pathlib import Path


def keep(ledger: Ledger, name: str) -> None:
    record = Record(name, "measured")
    ledger.frames.keep(record, Place("/shoot", name, Stamp(1, 2, 3)), sha256=name)


def keep_many(ledger: Ledger, count: int) -> None:
    for number in range(count):
        keep(ledger, f"G{number}" + "x" * 1000)


def files(ledger: Ledger) -> list[str]:
    return [kept.record.file for kept in ledger.frames.all()]


def test_what_was_kept_is_there_when_the_file_is_opened_again(tmp_path: Path) -> None:
    with Ledger(tmp_path / "deep" / "er" / "l.sqlite") as ledger:
        keep(ledger, "F1")
    with Ledger(tmp_path / "deep" / "er" / "l.sqlite") as ledger:
        assert files(ledger) == ["F1"]


def test_it_is_written_ahead_and_synchronous(tmp_path: Path) -> None:
    with Ledger(tmp_path / "l.sqlite") as ledger, ledger.atomic() as connection:
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert connection.execute("PRAGMA synchronous").fetchone() == (2,)


READS = """
import sqlite3, sys
connection = sqlite3.connect(sys.argv[1])
print(connection.execute("SELECT COUNT(*) FROM frames").fetchone()[0])
connection.close()
"""


def rows_seen_by_another_program(place: Path) -> int:
    return int(
        subprocess.run([sys.executable, "-c", READS, place], capture_output=True, check=True).stdout
    )


@pytest.mark.parametrize("is_read_only", [True, False])
def test_a_ledger_opened_twice_in_a_process_keeps_its_hold_on_the_file(
    tmp_path: Path, is_read_only: bool
) -> None:
    """Closing any look at a file drops all locks that the process has on it (fcntl(2), POSIX).

    Without them another program that closes the file last takes the write-ahead log away (SQLite,
    "How To Corrupt An SQLite Database File", 2.2).
    """
    place = tmp_path / "l.sqlite"
    with Ledger(place) as ledger:
        keep(ledger, "F1")
        with Ledger(place, is_read_only=is_read_only) as other:
            assert files(other) == ["F1"]
        assert rows_seen_by_another_program(place) == 1
        keep(ledger, "F2")
        assert rows_seen_by_another_program(place) == 2
    assert rows_seen_by_another_program(place) == 2


def fail_half_way(ledger: Ledger) -> None:
    with ledger.atomic():
        keep(ledger, "F1")
        ledger.orders.say("lit", ["key"])
        msg = "half way"
        raise RuntimeError(msg)


def test_a_transaction_that_fails_half_way_leaves_no_row() -> None:
    with Ledger(":memory:") as ledger:
        with pytest.raises(RuntimeError, match="half way"):
            fail_half_way(ledger)
        assert files(ledger) == []
        assert ledger.orders.all() == []
        keep(ledger, "F2")
        assert files(ledger) == ["F2"]


def test_each_migration_is_applied_once_and_by_name(tmp_path: Path) -> None:
    for _ in range(2):
        with Ledger(tmp_path / "l.sqlite") as ledger, ledger.atomic() as connection:
            assert database.applied(connection) == [name for name, _ in database.MIGRATIONS]


def test_an_older_ledger_is_brought_up_to_date_with_all_its_records(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Ledger(tmp_path / "l.sqlite") as ledger:
        keep_many(ledger, 3)
        before = [(kept.frame, kept.sha256, kept.record) for kept in ledger.frames.all()]
    newer = "ALTER TABLE frames ADD COLUMN mood TEXT DEFAULT 'calm'; CREATE TABLE more (x)"
    monkeypatch.setattr(database, "MIGRATIONS", (*database.MIGRATIONS, ("moods", newer)))
    for _ in range(2):
        with Ledger(tmp_path / "l.sqlite") as ledger:
            after = [(kept.frame, kept.sha256, kept.record) for kept in ledger.frames.all()]
            assert after == before
            with ledger.atomic() as connection:
                assert database.applied(connection)[-1] == "moods"
                moods = connection.execute("SELECT DISTINCT mood FROM frames").fetchall()
                assert moods == [("calm",)]
    with Ledger(tmp_path / "l.sqlite") as ledger:
        keep(ledger, "F9")
        assert len(files(ledger)) == 4


def test_a_migration_that_fails_leaves_the_ledger_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Ledger(tmp_path / "l.sqlite") as ledger:
        keep(ledger, "F1")
    worse = (*database.MIGRATIONS, ("worse", "CREATE TABLE more (x); CREATE TABLE more (x)"))
    with monkeypatch.context() as patch:
        patch.setattr(database, "MIGRATIONS", worse)
        with pytest.raises(LedgerError, match="more already exists"):
            Ledger(tmp_path / "l.sqlite")
    with Ledger(tmp_path / "l.sqlite") as ledger, ledger.atomic() as connection:
        assert files(ledger) == ["F1"]
        tables = connection.execute("SELECT name FROM sqlite_master WHERE name = 'more'").fetchall()
        assert tables == []


def test_a_ledger_of_a_newer_program_is_refused_and_not_touched(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patch:
        patch.setattr(database, "MIGRATIONS", (*database.MIGRATIONS, ("year 3000", "SELECT 1")))
        Ledger(tmp_path / "l.sqlite").close()
    with pytest.raises(LedgerError, match=r"newer stopwise \('year 3000'\). Update stopwise"):
        Ledger(tmp_path / "l.sqlite")


def as_it_was_before_ledgers_had_an_id(place: Path) -> None:
    with sqlite3.connect(place) as connection:
        connection.execute("PRAGMA application_id = 0")
    connection.close()


@pytest.mark.parametrize("is_old", [False, True], ids=["ours", "older"])
def test_damage_inside_a_ledger_is_found_when_it_is_opened_and_it_is_set_aside(
    tmp_path: Path, *, is_old: bool
) -> None:
    place = tmp_path / "l.sqlite"
    with Ledger(place) as ledger:
        keep_many(ledger, 200)
    if is_old:
        as_it_was_before_ledgers_had_an_id(place)
    content = bytearray(place.read_bytes())
    content[len(content) // 2 :] = Random(1).randbytes(len(content) - len(content) // 2)
    place.write_bytes(content)
    with Ledger(place) as ledger:
        assert ledger.set_aside is not None
        assert ledger.set_aside.read_bytes() == content
        assert ledger.set_aside.name.startswith("l.sqlite.damaged-")
        assert files(ledger) == []
        keep(ledger, "F1")
        assert files(ledger) == ["F1"]


def test_an_older_ledger_is_taken_and_gets_the_id(tmp_path: Path) -> None:
    place = tmp_path / "l.sqlite"
    with Ledger(place) as ledger:
        keep(ledger, "F1")
    as_it_was_before_ledgers_had_an_id(place)
    with Ledger(place, is_read_only=True) as ledger:
        assert files(ledger) == ["F1"]
    with Ledger(place) as ledger:
        assert files(ledger) == ["F1"]
        assert ledger.row("PRAGMA application_id") == (APPLICATION_ID,)


def database_of_others() -> bytes:
    connection = sqlite3.connect(":memory:")
    connection.execute("CREATE TABLE frames (id INTEGER PRIMARY KEY, record TEXT)")
    return connection.serialize()


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("F0009.dng", tiny_raw(9)),
        ("F0009.dng", b""),
        ("plan.toml", b'schema = 1\n[[light]]\nname = "key"\n'),
        ("plan.toml", b""),
        ("others.sqlite", database_of_others()),
        ("torn.sqlite", b"SQLite format 3\x00" + b"\xff" * 4096),
    ],
    ids=["raw", "raw begun", "plan", "plan emptied", "database of others", "head alone"],
)
@pytest.mark.parametrize("is_read_only", [False, True], ids=["to write", "to read"])
def test_a_file_that_is_no_ledger_of_ours_is_refused_by_name_and_left_alone(
    tmp_path: Path, name: str, content: bytes, *, is_read_only: bool
) -> None:
    place = tmp_path / name
    place.write_bytes(content)
    before = place.stat()
    with pytest.raises(LedgerError, match=rf"{name} isn't a ledger of stopwise"):
        Ledger(place, is_read_only=is_read_only)
    assert [path.name for path in tmp_path.iterdir()] == [name]
    assert place.read_bytes() == content
    assert place.stat().st_mtime_ns == before.st_mtime_ns


def test_a_pipe_in_the_ledgers_place_is_refused_at_once(tmp_path: Path) -> None:
    if not hasattr(os, "mkfifo"):
        pytest.skip("the system has no named pipes")
    os.mkfifo(tmp_path / "l.sqlite")
    with pytest.raises(LedgerError, match="isn't a file"):
        Ledger(tmp_path / "l.sqlite")


def test_who_reads_leaves_no_trace_and_makes_nothing(tmp_path: Path) -> None:
    place = tmp_path / "kept" / "l.sqlite"
    with Ledger(place) as ledger:
        keep(ledger, "F1")
    before = (place.read_bytes(), place.stat().st_mtime_ns, place.parent.stat().st_mtime_ns)
    with Ledger(place, is_read_only=True) as ledger:
        assert files(ledger) == ["F1"]
        with pytest.raises(LedgerError, match="readonly"):
            keep(ledger, "F2")
    assert (place.read_bytes(), place.stat().st_mtime_ns, place.parent.stat().st_mtime_ns) == before
    with pytest.raises(PathMissing, match="there is no ledger"):
        Ledger(tmp_path / "none.sqlite", is_read_only=True)
    assert not (tmp_path / "none.sqlite").exists()


def test_a_ledger_in_memory_may_be_only_read_too() -> None:
    with Ledger(":memory:", is_read_only=True) as ledger:
        assert files(ledger) == []
        assert ledger.in_memory


def test_who_reads_beside_a_watch_sees_what_it_has_just_written(tmp_path: Path) -> None:
    place = tmp_path / "l.sqlite"
    with Ledger(place) as writer:
        keep(writer, "F1")
        with Ledger(place, is_read_only=True) as reader:
            keep(writer, "F2")
            assert files(reader) == ["F1", "F2"]


@pytest.mark.parametrize("how", ["is_read_only", "is_guest"])
def test_who_reads_a_damaged_ledger_is_told_and_it_stays_where_it_is(
    tmp_path: Path, how: str
) -> None:
    place = tmp_path / "l.sqlite"
    with Ledger(place) as ledger:
        keep_many(ledger, 50)
    content = bytearray(place.read_bytes())
    content[8192:] = bytes(len(content) - 8192)
    place.write_bytes(content)
    with pytest.raises(LedgerDamaged, match=r"l.sqlite: the ledger is damaged \(.*\)\.$"):
        Ledger(place, **{how: True})
    assert place.read_bytes() == content


def test_a_locked_ledger_is_waited_for_with_a_word_and_given_up_when_asked(tmp_path: Path) -> None:
    place = tmp_path / "l.sqlite"
    words: list[str] = []

    def give_up() -> bool:
        words.append("locked")
        return len(words) < 2

    with Ledger(place) as other, Ledger(place, on_wait=give_up) as ledger:
        with other.atomic(), pytest.raises(LedgerError, match="locked"):
            keep(ledger, "F1")
        keep(ledger, "F1")
        assert files(other) == ["F1"]
    assert words == ["locked", "locked"]


def test_a_sound_ledger_that_was_put_back_is_taken_as_such(tmp_path: Path) -> None:
    if sys.platform == "win32":
        pytest.skip("an open file can't be replaced here")
    place, saved = tmp_path / "l.sqlite", tmp_path / "saved.sqlite"
    with Ledger(saved) as ledger:
        keep(ledger, "F1")
    with Ledger(place) as ledger:
        keep(ledger, "F2")
        saved.replace(place)
        with pytest.raises(LedgerDamaged, match="its file was taken away"):
            keep(ledger, "F3")
        assert ledger.renew() is None
        assert files(ledger) == ["F1"]
    assert {path.name for path in tmp_path.glob("*.sqlite")} == {"l.sqlite"}
    assert all(path.name.endswith(("-wal", "-shm")) for path in tmp_path.glob("*damaged*"))


def test_a_ledger_whose_file_was_taken_away_is_not_written_into_the_void(tmp_path: Path) -> None:
    if sys.platform == "win32":
        pytest.skip("an open file can't be deleted here")
    place = tmp_path / "l.sqlite"
    with Ledger(place) as ledger:
        keep(ledger, "F1")
        place.unlink()
        with pytest.raises(LedgerDamaged, match="its file was taken away"):
            keep(ledger, "F2")
        ledger.renew()
        keep(ledger, "F2")
        assert files(ledger) == ["F2"]
    with Ledger(place) as ledger:
        assert files(ledger) == ["F2"]


class Failing(sqlite3.Connection):
    """A connection whose commit fails as on a disk that is full, while `failing` holds."""

    failing: str | None = None

    def execute(self, statement: str, *values: Any) -> sqlite3.Cursor:
        if self.failing and statement.startswith(("INSERT INTO frames", "COMMIT")):
            code = {"full": sqlite3.SQLITE_FULL, "io": sqlite3.SQLITE_IOERR}[self.failing]
            error = sqlite3.OperationalError("database or disk is full")
            error.sqlite_errorcode = code
            raise error
        return super().execute(statement, *values)


def failing_connect(place: str) -> sqlite3.Connection:
    return sqlite3.connect(
        place, isolation_level=None, check_same_thread=False, factory=Failing, timeout=1
    )


@pytest.mark.parametrize("kind", ["full", "io"])
def test_a_disk_that_fails_leaves_no_half_row_and_works_again_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    with Ledger(tmp_path / "l.sqlite", opener=failing_connect) as ledger:
        keep(ledger, "F1")
        with monkeypatch.context() as patch:
            patch.setattr(Failing, "failing", kind)
            with pytest.raises(LedgerFull, match="Make room on its disk"):
                keep(ledger, "F2")
        assert files(ledger) == ["F1"]
        keep(ledger, "F2")
        assert files(ledger) == ["F1", "F2"]


def test_a_ledger_that_really_runs_out_of_pages_is_full_and_no_row_is_half(tmp_path: Path) -> None:
    """A limit on pages gives SQLITE_FULL as a full disk does (sqlite.org, Result Codes)."""
    with Ledger(tmp_path / "l.sqlite") as ledger:
        keep(ledger, "F1")
        with ledger.atomic() as connection:
            (pages,) = connection.execute("PRAGMA page_count").fetchone()
        with ledger.atomic() as connection:
            connection.execute(f"PRAGMA max_page_count = {pages + 1}")
        with pytest.raises(LedgerFull, match="full"):
            keep_many(ledger, 500)
        before = files(ledger)
        with ledger.atomic() as connection:
            connection.execute(f"PRAGMA max_page_count = {pages + 5000}")
            assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        keep(ledger, "F2")
        assert files(ledger) == [*before, "F2"]


def test_a_place_that_cannot_be_written_says_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(LedgerError, match=r"can't be used .* --ledger :memory: to keep nothing"):
        Ledger(tmp_path / "file" / "l.sqlite")
    with pytest.raises(LedgerError, match=r"isn't a file"):
        Ledger(tmp_path)


def test_two_connections_write_one_after_the_other_and_see_each_other(tmp_path: Path) -> None:
    with Ledger(tmp_path / "l.sqlite") as one, Ledger(tmp_path / "l.sqlite") as two:
        keep(two, "F1")
        assert files(one) == ["F1"]
        keep(one, "F2")
        assert files(one) == files(two) == ["F1", "F2"]


def test_the_same_content_from_two_writers_is_one_row(tmp_path: Path) -> None:
    ledgers = [Ledger(tmp_path / "l.sqlite") for _ in range(3)]
    names = [f"F{number}" for number in range(30)]
    threads = [
        threading.Thread(target=lambda own=own: [keep(own, name) for name in names])
        for own in ledgers
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(files(ledgers[0])) == sorted(names)
    for ledger in ledgers:
        ledger.close()


def test_one_ledger_may_be_used_from_many_threads() -> None:
    with Ledger(":memory:") as ledger:
        threads = [
            threading.Thread(target=lambda n=n: [keep(ledger, f"F{n}-{m}") for m in range(20)])
            for n in range(4)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert ledger.frames.count() == 80


def test_a_ledger_in_memory_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with Ledger(":memory:") as ledger:
        assert ledger.in_memory
    assert list(tmp_path.iterdir()) == []

"""The whole watcher on a real folder: files land, records come, none is missed or doubled."""

from __future__ import annotations

import hashlib
import logging
import os
import shutil
import sys
import threading
import time
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from stopwise.errors import PathMissing, WrongUse
from stopwise.folder import one_file
from stopwise.folder.lock import is_watched
from stopwise.folder.watcher import Hooks, Limits, Options, Seams, Watcher
from stopwise.ledger import Ledger
from stopwise.ledger.database import Database
from support.watching import (
    PATIENCE_S,
    QUICK,
    WAYS,
    Heard,
    InlinePool,
    assess,
    read,
    tiny_raw,
    wait_until,
    watching,
    write_and_rename,
    write_in_pieces,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from stopwise.folder.one_file import Wholeness


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "shoot"
    made.mkdir()
    return made


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(tmp_path / "ledger" / "l.sqlite") as made:
        yield made


def inline() -> Seams:
    """Judge in this process: most tests don't need workers."""
    return Seams(pool=InlinePool(read))


def files(ledger: Ledger) -> list[str]:
    return [kept.record.file for kept in ledger.frames.all()]


def digests(folder: Path) -> dict[str, tuple[str, int, int]]:
    """Return content, time and rights of every file in a folder."""
    return {
        str(path.relative_to(folder)): (
            hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "",
            path.lstat().st_mtime_ns,
            path.lstat().st_mode,
        )
        for path in [folder, *sorted(folder.rglob("*"))]
    }


def test_files_that_land_in_four_ways_are_each_judged_once_in_order(
    folder: Path, ledger: Ledger
) -> None:
    names = [f"F{number:04d}.dng" for number in range(24)]
    with watching(folder, ledger, seams=inline()) as heard:
        for number, name in enumerate(names):
            WAYS[number % len(WAYS)](folder / name, tiny_raw(number, size=150_000))
        wait_until(lambda: len(heard.landings) == len(names))
        time.sleep(0.5)
    assert heard.files == names
    assert files(ledger) == names
    assert {landing.kept.record.verdict for landing in heard.landings} == {"measured"}
    assert heard.landings[3].path == folder / names[3]
    assert heard.landings[3].assessment.picture


def test_real_workers_give_records_in_landing_order(folder: Path, ledger: Ledger) -> None:
    slow = [b"SLOW" if number % 2 == 0 else b"" for number in range(6)]
    with watching(folder, ledger) as heard:
        for number, part in enumerate(slow):
            write_and_rename(folder / f"F{number}.dng", tiny_raw(number, part=part))
        wait_until(lambda: len(heard.landings) == len(slow))
    assert heard.files == [f"F{number}.dng" for number in range(6)]


def test_a_frame_that_crashes_the_decoder_costs_only_its_own_verdict(
    folder: Path, ledger: Ledger
) -> None:
    options = Options(waits=QUICK, sweep_s=0.2, workers=1, limits=Limits(least_s=5))
    with watching(folder, ledger, options=options) as heard:
        (folder / "F1.dng").write_bytes(tiny_raw(1, part=b"CRASH"))
        (folder / "F2.dng").write_bytes(tiny_raw(2))
        wait_until(lambda: len(heard.landings) == 2)
    records = {landing.path.name: landing.kept.record for landing in heard.landings}
    assert records["F2.dng"].verdict == "measured"
    assert records["F1.dng"].verdict == "unreadable"
    reason = records["F1.dng"].reason
    assert reason is not None
    assert reason.condition == "decoder_failed"
    assert reason.detail.startswith("it crashed")
    assert records["F1.dng"].patches == {}


def test_a_short_file_is_called_unreadable_after_it_has_rested_and_judged_when_it_is_mended(
    folder: Path, ledger: Ledger
) -> None:
    content = tiny_raw(1)
    with watching(folder, ledger, seams=inline()) as heard:
        began = time.monotonic()
        (folder / "F1.dng").write_bytes(content[:-100])
        wait_until(lambda: heard.landings)
        assert time.monotonic() - began >= QUICK.settle_s
        (folder / "F1.dng").write_bytes(content)
        wait_until(lambda: len(heard.landings) == 2)
    short, whole = (landing.kept for landing in heard.landings)
    assert (short.record.verdict, whole.record.verdict) == ("unreadable", "measured")
    assert short.record.reason is not None
    assert short.record.reason.condition == "cut_short"
    assert whole.version_of == short.frame
    assert heard.named == ["still_written"]


def test_a_file_that_keeps_growing_is_not_called_unreadable(folder: Path, ledger: Ledger) -> None:
    with watching(folder, ledger, seams=inline()) as heard:
        write_in_pieces(folder / "F1.dng", tiny_raw(1), pieces=10, pause_s=0.25)
        wait_until(lambda: heard.landings)
    assert [landing.kept.record.verdict for landing in heard.landings] == ["measured"]


def test_a_jpeg_beside_its_raw_is_silent_and_subfolders_count(folder: Path, ledger: Ledger) -> None:
    with watching(folder, ledger, seams=inline()) as heard:
        (folder / "day").mkdir()
        (folder / "day" / "F1.jpg").write_bytes(b"picture")
        (folder / "day" / "F1.dng").write_bytes(tiny_raw(1))
        wait_until(lambda: heard.landings)
    assert heard.files == ["day/F1.dng"]
    assert heard.notes == []


def test_what_lies_there_at_the_start_is_judged_and_told_as_a_backlog(
    folder: Path, ledger: Ledger
) -> None:
    for number in range(5):
        (folder / f"F{number}.dng").write_bytes(tiny_raw(number))
        time.sleep(0.01)
    with watching(folder, ledger, seams=inline()) as heard:
        wait_until(lambda: len(heard.landings) == 5)
    assert heard.files == [f"F{number}.dng" for number in range(5)]
    (told,) = heard.notes
    assert told.text.endswith("frames are there already: 5 to judge")


def test_a_restart_judges_nothing_again(folder: Path, ledger: Ledger) -> None:
    for number in range(3):
        (folder / f"F{number}.dng").write_bytes(tiny_raw(number))
    with watching(folder, ledger, seams=inline()) as heard:
        wait_until(lambda: len(heard.landings) == 3)
    with watching(folder, ledger, seams=inline()) as again:
        (folder / "F9.dng").write_bytes(tiny_raw(9))
        wait_until(lambda: again.landings)
        time.sleep(0.5)
    assert again.files == ["F9.dng"]


def test_renaming_copying_and_touching_judge_nothing_again(folder: Path, ledger: Ledger) -> None:
    with watching(folder, ledger, seams=inline()) as heard:
        (folder / "F1.dng").write_bytes(tiny_raw(1))
        (folder / "F2.dng").write_bytes(tiny_raw(2))
        wait_until(lambda: len(heard.landings) == 2)
        (folder / "picked").mkdir()
        (folder / "F1.dng").rename(folder / "picked" / "best.dng")
        shutil.copyfile(folder / "F2.dng", folder / "copy.dng")
        os.utime(folder / "F2.dng")
        wait_until(lambda: set(here(ledger, folder)) == {"picked/best.dng", "F2.dng", "copy.dng"})
        time.sleep(0.3)
    assert heard.files == ["F1.dng", "F2.dng"]
    assert ledger.frames.count() == 2
    (told,) = heard.notes
    assert told.text == "copy.dng: the same picture as an earlier file: F2.dng"


def here(ledger: Ledger, folder: Path) -> list[str]:
    known = ledger.frames.known(str(folder.resolve()))
    return [path for path, there in known.items() if not there.is_gone]


def test_a_deletion_is_recorded_and_the_record_stays(folder: Path, ledger: Ledger) -> None:
    with watching(folder, ledger, seams=inline()) as heard:
        (folder / "F1.dng").write_bytes(tiny_raw(1))
        wait_until(lambda: heard.landings)
        (folder / "F1.dng").unlink()
        wait_until(lambda: here(ledger, folder) == [])
    assert files(ledger) == ["F1.dng"]


def test_a_folder_that_vanishes_is_told_and_goes_on_when_it_is_back(
    folder: Path, ledger: Ledger
) -> None:
    away = folder.with_name("away")
    with watching(folder, ledger, seams=inline()) as heard:
        (folder / "F1.dng").write_bytes(tiny_raw(1))
        wait_until(lambda: heard.landings)
        folder.rename(away)
        wait_until(lambda: "folder_gone" in heard.named)
        (away / "F2.dng").write_bytes(tiny_raw(2))
        away.rename(folder)
        wait_until(lambda: len(heard.landings) == 2)
        (folder / "F3.dng").write_bytes(tiny_raw(3))
        wait_until(lambda: len(heard.landings) == 3)
    assert heard.files == ["F1.dng", "F2.dng", "F3.dng"]
    assert heard.named == ["folder_gone", "folder_back"]
    assert set(here(ledger, folder)) == {"F1.dng", "F2.dng", "F3.dng"}


def test_a_folder_emptied_and_filled_again_as_by_an_unmount_judges_nothing_again(
    folder: Path, ledger: Ledger, tmp_path: Path
) -> None:
    with watching(folder, ledger, seams=inline()) as heard:
        for number in range(3):
            (folder / f"F{number}.dng").write_bytes(tiny_raw(number))
        wait_until(lambda: len(heard.landings) == 3)
        for path in list(folder.iterdir()):
            path.rename(tmp_path / path.name)
        wait_until(lambda: here(ledger, folder) == [])
        for path in list(tmp_path.glob("*.dng")):
            path.rename(folder / path.name)
        wait_until(lambda: len(here(ledger, folder)) == 3)
    assert len(heard.landings) == 3


def test_with_no_events_at_all_the_sweep_finds_everything(
    folder: Path, ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_watches_left(self: object, *_: Any, **__: Any) -> None:
        raise OSError(28, "inotify watch limit reached")

    monkeypatch.setattr("watchdog.observers.api.BaseObserver.schedule", no_watches_left)
    with watching(folder, ledger, seams=inline()) as heard:
        wait_until(lambda: heard.notes)
        write_in_pieces(folder / "F1.dng", tiny_raw(1))
        wait_until(lambda: heard.landings)
    assert heard.files == ["F1.dng"]
    (told,) = heard.notes
    assert told.text.endswith("no folder events: inotify watch limit reached")


def test_what_the_library_of_events_logs_reaches_no_terminal(
    folder: Path,
    ledger: Ledger,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr(logging.root, "handlers", [])  # as in the command, where none is set up
    with watching(folder, ledger, seams=inline()):
        logging.getLogger("watchdog.observers.api").warning("called when the thread is inactive")
    logging.getLogger("others").warning("heard")
    assert capsys.readouterr().err == "heard\n"


def test_polling_watches_too(folder: Path, ledger: Ledger) -> None:
    options = Options(waits=QUICK, sweep_s=0.5, is_polling=True)
    with watching(folder, ledger, seams=inline(), options=options) as heard:
        (folder / "F1.dng").write_bytes(tiny_raw(1))
        wait_until(lambda: heard.landings)
    assert heard.files == ["F1.dng"]


def test_a_file_that_may_not_be_opened_is_told_and_judged_when_it_may(
    folder: Path, ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened = one_file.wholeness

    def deny(path: str, _size: int) -> Wholeness:
        raise PermissionError(13, "Permission denied", path)

    monkeypatch.setattr(one_file, "wholeness", deny)
    with watching(folder, ledger, seams=inline()) as heard:
        (folder / "F1.dng").write_bytes(tiny_raw(1))
        wait_until(lambda: heard.notes)
        assert heard.landings == []
        monkeypatch.setattr(one_file, "wholeness", opened)
        wait_until(lambda: heard.landings)
    (told,) = heard.notes
    assert told.text == "F1.dng: it can't be opened: permission denied"


@pytest.mark.skipif(
    sys.platform == "win32" or os.geteuid() == 0, reason="the system refuses root nothing"
)
def test_a_file_without_read_permission_is_judged_once_it_has_it(
    folder: Path, ledger: Ledger
) -> None:
    (folder / "F1.dng").write_bytes(tiny_raw(1))
    (folder / "F1.dng").chmod(0)
    with watching(folder, ledger, seams=inline()) as heard:
        wait_until(lambda: "no_access" in heard.named)
        (folder / "F1.dng").chmod(0o400)
        wait_until(lambda: heard.landings)
    assert heard.files == ["F1.dng"]


def test_a_file_whose_disk_fails_is_told_and_tried_again(
    folder: Path, ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole_hash, calls = one_file.content_hash, []

    def fail_twice(*arguments: Any) -> str:
        calls.append(arguments)
        if len(calls) <= 2:
            raise OSError(5, "Input/output error")
        return whole_hash(*arguments)

    monkeypatch.setattr(one_file, "content_hash", fail_twice)
    with watching(folder, ledger, seams=inline()) as heard:
        (folder / "F1.dng").write_bytes(tiny_raw(1))
        wait_until(lambda: heard.landings)
    assert heard.files == ["F1.dng"]
    assert {told.text for told in heard.notes} == {
        "F1.dng: it can't be read now: input/output error"
    }


@pytest.mark.skipif(sys.platform == "win32", reason="no pipes in folders here")
def test_pipes_and_links_are_passed_over_with_a_note_and_never_opened(
    folder: Path, ledger: Ledger
) -> None:
    os.mkfifo(folder / "pipe.dng")
    (folder / "link.dng").symlink_to("/dev/zero")
    with watching(folder, ledger, seams=inline()) as heard:
        (folder / "F1.dng").write_bytes(tiny_raw(1))
        wait_until(lambda: heard.landings)
    assert heard.files == ["F1.dng"]
    texts = sorted(told.text for told in heard.notes)
    assert texts == ["link.dng: passed over: a link", "pipe.dng: passed over: a pipe"]


@pytest.mark.skipif(sys.platform != "linux", reason="this system doesn't take any name")
def test_frames_with_hostile_names_are_kept_under_their_own_names(
    folder: Path, ledger: Ledger
) -> None:
    raw_names = [
        b"new\nline.dng",
        b"quote'\"`$(x);.dng",
        "😀.dng".encode(),
        b"bad \xff\x80.dng",
        b"x" * 251 + b".dng",
        b"<script>alert(1)<.dng",
    ]
    names = [os.fsdecode(name) for name in raw_names]
    with watching(folder, ledger) as heard:
        for number, name in enumerate(names):
            (folder / name).write_bytes(tiny_raw(number))
        wait_until(lambda: len(heard.landings) == len(names))
    assert sorted(heard.files) == sorted(names)
    assert set(here(ledger, folder)) == set(names)


def test_the_folder_is_the_same_before_and_after(folder: Path, ledger: Ledger) -> None:
    (folder / "day").mkdir()
    for number in range(4):
        (folder / f"F{number}.dng").write_bytes(tiny_raw(number))
    (folder / "day" / "F9.dng").write_bytes(tiny_raw(9)[:-50])
    (folder / "day" / "F8.jpg").write_bytes(b"picture")
    before = digests(folder)
    with watching(folder, ledger) as heard:
        wait_until(lambda: len(heard.landings) == 5)
    assert digests(folder) == before


def test_a_ledger_inside_the_watched_folder_is_refused(folder: Path) -> None:
    with (
        Ledger(folder / "l.sqlite") as ledger,
        pytest.raises(WrongUse, match="the ledger lies in the watched folder"),
    ):
        Watcher(folder, ledger, assess, seams=inline())


def test_a_folder_that_is_not_there_is_refused(tmp_path: Path, ledger: Ledger) -> None:
    with pytest.raises(PathMissing, match="the folder to watch isn't there"):
        Watcher(tmp_path / "nowhere", ledger, assess, seams=inline())


def test_a_second_watcher_waits_and_takes_over_without_judging_again(
    folder: Path, tmp_path: Path
) -> None:
    place = tmp_path / "l.sqlite"
    second = Heard()
    with Ledger(place) as one, Ledger(place) as two:
        with watching(folder, one, seams=inline()) as first:
            (folder / "F1.dng").write_bytes(tiny_raw(1))
            wait_until(lambda: first.landings)
            waiting = watching(folder, two, heard=second, seams=inline())
            waiting.__enter__()
            wait_until(lambda: second.notes)
            (folder / "F2.dng").write_bytes(tiny_raw(2))
            wait_until(lambda: len(first.landings) == 2)
            assert second.landings == []
        (folder / "F3.dng").write_bytes(tiny_raw(3))
        wait_until(lambda: second.landings)
        waiting.__exit__(None, None, None)
    assert (first.files, second.files) == (["F1.dng", "F2.dng"], ["F3.dng"])
    assert set(second.named) == {"other_watcher", "backlog"}


def test_two_watchers_on_two_folders_share_a_ledger(folder: Path, tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.mkdir()
    with Ledger(tmp_path / "l.sqlite") as one, Ledger(tmp_path / "l.sqlite") as two:
        with (
            watching(folder, one, seams=inline()) as first,
            watching(other, two, seams=inline()) as second,
        ):
            for number in range(5):
                (folder / f"F{number}.dng").write_bytes(tiny_raw(number))
                (other / f"F{number}.dng").write_bytes(tiny_raw(100 + number))
            wait_until(lambda: len(first.landings) == len(second.landings) == 5)
        assert one.frames.count() == 10


def test_a_ledger_that_is_deleted_while_watching_is_begun_anew_from_the_frames(
    folder: Path, tmp_path: Path
) -> None:
    place = tmp_path / "l.sqlite"
    with Ledger(place) as ledger, watching(folder, ledger, seams=inline()) as heard:
        for number in range(3):
            (folder / f"F{number}.dng").write_bytes(tiny_raw(number))
        wait_until(lambda: len(heard.landings) == 3)
        for tail in ("", "-wal", "-shm"):
            (tmp_path / f"l.sqlite{tail}").unlink()
        (folder / "F3.dng").write_bytes(tiny_raw(3))
        wait_until(lambda: ledger.frames.count() == 4)
    assert "ledger_other" in heard.named
    with Ledger(place) as ledger:
        assert sorted(files(ledger)) == [f"F{number}.dng" for number in range(4)]


def test_a_sound_ledger_that_is_put_back_while_watching_is_used_and_only_the_rest_is_judged(
    folder: Path, tmp_path: Path
) -> None:
    place, saved = tmp_path / "l.sqlite", tmp_path / "saved.sqlite"
    for number in range(2):
        (folder / f"F{number}.dng").write_bytes(tiny_raw(number))
    with Ledger(saved) as ledger, watching(folder, ledger, seams=inline()) as heard:
        wait_until(lambda: len(heard.landings) == 2)
    with Ledger(place) as ledger, watching(folder, ledger, seams=inline()) as heard:
        wait_until(lambda: len(heard.landings) == 2)
        saved.replace(place)
        (folder / "F2.dng").write_bytes(tiny_raw(2))
        wait_until(lambda: len(heard.landings) == 3 and ledger.frames.count() == 3)
    assert heard.files[2] == "F2.dng"
    assert "ledger_other" in heard.named
    assert not tmp_path.joinpath("saved.sqlite").exists()


def test_a_hook_may_complete_a_record_in_landing_order_before_it_is_kept(
    folder: Path, ledger: Ledger
) -> None:
    count = iter(range(100))
    heard = Heard()
    hooks = heard.hooks(
        complete=lambda record, _: replace(record, take=next(count)), brief=lambda path: path.name
    )
    with watching(folder, ledger, heard=heard, hooks=hooks, seams=inline()):
        for number in range(3):
            (folder / f"F{number}.dng").write_bytes(tiny_raw(number))
        wait_until(lambda: len(heard.landings) == 3)
    records = [kept.record for kept in ledger.frames.all()]
    assert [record.take for record in records] == [0, 1, 2]
    assert [record.look for record in records] == ["F0.dng", "F1.dng", "F2.dng"]


def test_a_gap_in_the_numbering_is_called(folder: Path, ledger: Ledger) -> None:
    with watching(folder, ledger, seams=inline()) as heard:
        (folder / "F0031.dng").write_bytes(tiny_raw(1))
        wait_until(lambda: heard.landings)
        (folder / "F0033.dng").write_bytes(tiny_raw(2))
        wait_until(lambda: heard.notes)
    (told,) = heard.notes
    assert told.text == "F0032: never came"


def test_a_caller_that_fails_ends_the_watch_and_leaves_no_process(
    folder: Path, ledger: Ledger
) -> None:
    def fail(_landing: object) -> None:
        msg = "the caller's own mistake"
        raise RuntimeError(msg)

    heard = Heard()
    watcher = Watcher(
        folder, ledger, assess, hooks=replace(heard.hooks(), on_record=fail), seams=inline()
    )
    (folder / "F1.dng").write_bytes(tiny_raw(1))
    with pytest.raises(RuntimeError, match="the caller's own mistake"):
        watcher.run(threading.Event())
    assert not [thread for thread in threading.enumerate() if "stopwise" in thread.name]


class Stuck(InlinePool):
    """A pool that fails once more when it is closed."""

    def close(self) -> None:
        msg = "a worker doesn't end"
        raise ValueError(msg)


def test_what_fails_to_close_keeps_nothing_else_open(folder: Path, ledger: Ledger) -> None:
    (folder / "F1.dng").write_bytes(tiny_raw(1))
    stop = threading.Event()
    watcher = Watcher(
        folder,
        ledger,
        assess,
        hooks=Hooks(on_record=lambda _: stop.set()),
        seams=Seams(pool=Stuck(read)),
    )
    with pytest.raises(ValueError, match="a worker doesn't end"):
        run_bounded(watcher.run, stop)
    assert not [thread for thread in threading.enumerate() if "stopwise" in thread.name]
    assert not is_watched(ledger.place, watcher.folder)


def test_a_locked_ledger_does_not_hold_up_the_end(
    folder: Path, ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It would be waited for longer than anybody waits here."""
    monkeypatch.setitem(Database.atomic.__wrapped__.__kwdefaults__, "wait_s", 1e6)
    stop, is_locked_out = threading.Event(), threading.Event()

    def between() -> None:
        is_locked_out.set()
        ledger.settings.set("a", 1)

    hooks = Hooks(between=between)
    watcher = Watcher(folder, ledger, assess, hooks=hooks, seams=inline())
    thread = threading.Thread(target=watcher.run, args=(stop,))
    with Ledger(ledger.place) as other, other.atomic():
        thread.start()
        assert is_locked_out.wait(PATIENCE_S)
        stop.set()
        watcher.wake()
        thread.join(PATIENCE_S)
        assert not thread.is_alive()


def test_status_counts_what_is_still_to_do(folder: Path, ledger: Ledger) -> None:
    for number in range(4):
        (folder / f"F{number}.dng").write_bytes(tiny_raw(number))
    status: list[Any] = []
    heard = Heard()

    def look(_landing: object) -> None:
        status.append(watcher.status())
        if len(status) == 4:
            stop.set()

    stop = threading.Event()
    watcher = Watcher(
        folder, ledger, assess, hooks=replace(heard.hooks(), on_record=look), seams=inline()
    )
    run_bounded(watcher.run, stop)
    assert [seen.backlog for seen in status] == [3, 2, 1, 0]
    assert {(seen.behind, seen.unwritten) for seen in status} == {(0, 0)}


def run_bounded(run: Callable[[threading.Event], None], stop: threading.Event) -> None:
    """Run until `stop` is set, or until it was waited for long enough."""
    timer = threading.Timer(PATIENCE_S, stop.set)
    timer.start()
    run(stop)
    timer.cancel()

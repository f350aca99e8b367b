"""A bad day through the real `stopwise watch`: what fails is said in a sentence, and nothing lost.

Disks that fail come from a layer of our own (support/faulty_stopwise.py). Where the system lets a
test do so, the fault is a real one: a full file system, a mount that goes, rights that are refused,
no folder events left. A test that may not do that is skipped and says why.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
import time
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Any

import pytest

from lightmodel.dng import DngSpec, write_dng
from stopwise.ledger import Ledger, Place, Stamp
from stopwise.record import Record
from support.commanding import WatchCommand
from support.made_raws import levels_for, plan_of_two_solos

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

pytestmark = pytest.mark.skipif(
    sys.platform != "linux", reason="faults are made with Linux's means"
)

SCRIPT = Path(__file__).parents[1] / "support" / "faulty_stopwise.py"
WATCHING = "watching "
HOUR_NS = 3600 * 10**9


@dataclass
class Set:
    """A watched folder, a ledger beside it, and faults that can be turned on."""

    base: Path

    @property
    def folder(self) -> Path:
        return self.base / "shoot"

    @property
    def place(self) -> Path:
        return self.base / "ledger" / "l.sqlite"

    def land(self, name: str, *, seed: int) -> Path:
        """Land a small whole raw file under a name."""
        part = self.folder / f".{name}.part"  # hidden until it is whole, on the same file system
        spec = DngSpec(compression="none", bits=16)
        write_dng(part, levels_for("gbrg uncompressed", (64, 96), seed=seed), spec=spec)
        return part.rename(self.folder / name)

    @contextmanager
    def fault(self, name: str) -> Iterator[None]:
        """Have a fault while the block runs."""
        (self.base / "faults" / name).touch()
        yield
        (self.base / "faults" / name).unlink()

    @contextmanager
    def watching(self, *options: str, before: Sequence[str] = ()) -> Iterator[WatchCommand]:
        """Run the command under the layer that fails, until it watches."""
        with WatchCommand(
            self.folder,
            self.place,
            options=("--settle", "0.5", *options),
            script=SCRIPT,
            environment={"STOPWISE_TEST_FAULTS": str(self.base / "faults")},
            before=before,
        ) as watch:
            watch.wait_for(WATCHING)
            yield watch

    def plan(self) -> Path:
        """Write a plan that asks for nothing."""
        plan = self.base / "plan.toml"
        plan.write_text('schema = 1\ntitle = "no target"\n', encoding="utf-8")
        return plan

    def kept(self) -> list[str]:
        """Return the files of the ledger's records, in landing order."""
        with Ledger(self.place) as ledger:
            return [kept.record.file for kept in ledger.frames.all()]


@pytest.fixture
def made(tmp_path: Path) -> Set:
    for name in ("shoot", "faults"):
        (tmp_path / name).mkdir()
    return Set(tmp_path)


def may(*command: str) -> bool:
    """Tell whether the system lets us run a command."""
    if shutil.which(command[0]) is None:
        return False
    return subprocess.run(command, capture_output=True, check=False).returncode == 0


def refused(folder: Path, ledger: Path | str, *options: str, before: Sequence[str] = ()) -> Any:
    """Run a watch that must end by itself; return its exit code and what it said."""
    with WatchCommand(folder, ledger, options=options, before=before) as watch:
        code = watch.ended()
    return code, watch.said


def test_a_full_disk_is_said_with_the_verdict_and_the_record_is_kept_once_there_is_room(
    made: Set,
) -> None:
    with made.watching() as watch:
        made.land("F1.dng", seed=1)
        watch.wait(lambda: watch.files == ["F1.dng"])
        with made.fault("ledger-full"):
            made.land("F2.dng", seed=2)
            watch.wait_for("(not kept yet: F2.dng, measured)")
            assert "the ledger can't be written" in watch.said
            assert "Make room on its disk" in watch.said
            made.land("F3.dng", seed=3)
            watch.wait_for("(not kept yet: F3.dng, measured)")
            assert watch.files == ["F1.dng"]
        watch.wait_for("the ledger is written again")
        watch.wait(lambda: len(watch.files) == 3)
        assert watch.stop() == 0
    assert watch.files == made.kept() == ["F1.dng", "F2.dng", "F3.dng"]


def test_a_ledgers_disk_that_fails_is_waited_for_and_what_was_not_kept_is_judged_at_the_next_start(
    made: Set,
) -> None:
    with made.watching() as watch, made.fault("ledger-fails"):
        made.land("F1.dng", seed=1)
        watch.wait_for("(not kept yet: F1.dng, measured)")
        assert "disk I/O error" in watch.said
        assert watch.stop() == 0
    assert made.kept() == []
    with made.watching() as watch:
        watch.wait(lambda: watch.files == ["F1.dng"])
    assert made.kept() == ["F1.dng"]


def test_a_file_system_that_really_is_full_loses_no_record(made: Set) -> None:
    with mounted(made.place.parent, "-t", "tmpfs", "-o", "size=1m", "tmpfs"):
        with made.watching() as watch:
            made.land("F1.dng", seed=1)
            watch.wait(lambda: watch.files == ["F1.dng"])
            filler = made.place.parent / "filler"
            fill(filler)
            for number in range(2, 7):
                made.land(f"F{number}.dng", seed=number)
            watch.wait_for("the ledger can't be written")
            filler.unlink()
            watch.wait_for("the ledger is written again")
            watch.wait(lambda: len(watch.files) == 6)
            assert watch.stop() == 0
        assert watch.files == made.kept() == [f"F{number}.dng" for number in range(1, 7)]


def fill(path: Path) -> None:
    """Write a file until its file system has no room."""
    with path.open("wb", buffering=0) as stream:
        try:
            while stream.write(bytes(4096)):
                pass
        except OSError:
            return


@contextmanager
def mounted(place: Path, *what: str) -> Iterator[None]:
    """Mount something while the block runs, or skip the test."""
    place.mkdir(exist_ok=True)
    if not may("mount", *what, str(place)):
        pytest.skip("this user may not mount anything here")
    try:
        yield
    finally:
        subprocess.run(["umount", "--lazy", str(place)], capture_output=True, check=False)


def test_a_frame_whose_medium_fails_is_told_and_judged_when_it_can_be_read(made: Set) -> None:
    with made.watching() as watch:
        with made.fault("frames-fail"):
            made.land("F1.dng", seed=1)
            watch.wait_for("F1.dng: it can't be opened: input/output error")
            made.land("F2.dng", seed=2)
            time.sleep(1.0)  # longer than a file rests before it is called unreadable
            assert watch.files == []
        watch.wait(lambda: len(watch.files) == 2)
        assert watch.stop() == 0
    assert {record["verdict"] for record in watch.records} == {"measured"}
    assert sorted(made.kept()) == ["F1.dng", "F2.dng"]


def test_frames_on_which_all_workers_hang_hide_no_other_and_are_judged_once_they_can_be(
    made: Set,
) -> None:
    hanging = [f"H{number}.dng" for number in range(5)]
    with made.watching("--workers", "2") as watch:
        with made.fault("frames-hang"):
            for number, name in enumerate(hanging):
                made.land(name, seed=number + 1)
            made.land("F1.dng", seed=9)
            watch.wait(lambda: watch.files == ["F1.dng"])
        watch.wait(lambda: len(watch.files) == 6)
        assert watch.stop() == 0
    assert made.kept() == [*hanging, "F1.dng"]
    assert {record["verdict"] for record in watch.records} == {"measured"}


OWN_FRAMES = plan_of_two_solos(key="H1.dng", fill="S2.dng")


def test_a_frame_of_the_plan_on_which_the_decoder_hangs_costs_itself_and_counts_once_it_can_be_read(
    made: Set,
) -> None:
    for number, name in enumerate(("H1.dng", "S2.dng")):
        made.land(name, seed=number).rename(made.base / name)
    plan = made.base / "plan.toml"
    plan.write_text(OWN_FRAMES, encoding="utf-8")
    with made.watching("--plan", str(plan), "--workers", "1") as watch:
        with made.fault("frames-hang"):
            made.land("F1.dng", seed=9)
            watch.wait(lambda: watch.files == ["F1.dng"])  # 20 s; a try of H1 takes 30 s
            watch.wait_for("H1.dng (solo of key)")
        [first] = watch.records
        assert first["verdict"] == "on plan"
        assert first["lamps"]["key"]["state"] == "not seen"
        assert first["lamps"]["fill"]["stops"] is not None

        for number in range(100):  # until it was read after all
            made.land(f"G{number}.dng", seed=10 + number)
            watch.wait(lambda landed=number + 2: len(watch.files) == landed)
            if watch.records[-1]["lamps"]["key"]["stops"] is not None:
                break
        else:
            pytest.fail("the plan's frame is never read again")
        assert watch.stop() == 0


def test_a_folder_that_is_unmounted_and_mounted_again_judges_nothing_twice(made: Set) -> None:
    card = made.base / "card"
    card.mkdir()
    with mounted(made.folder, "--bind", str(card)), made.watching() as watch:
        for number in (1, 2):
            made.land(f"F{number}.dng", seed=number)
        watch.wait(lambda: len(watch.files) == 2)
        subprocess.run(["umount", "--lazy", str(made.folder)], check=True)
        time.sleep(2.5)  # a sweep and more
        with mounted(made.folder, "--bind", str(card)):
            made.land("F3.dng", seed=3)
            watch.wait(lambda: len(watch.files) == 3)
            time.sleep(2.5)
            assert watch.stop() == 0
    assert watch.files == made.kept() == ["F1.dng", "F2.dng", "F3.dng"]


def test_a_folder_that_goes_is_told_and_what_it_brings_back_is_judged(made: Set) -> None:
    away = made.base / "away"
    with made.watching() as watch:
        made.folder.rename(away)
        watch.wait_for("the folder isn't there")
        away.rename(made.folder)
        made.land("F1.dng", seed=1)
        watch.wait_for("the folder is back")
        watch.wait(lambda: watch.files == ["F1.dng"])
        assert watch.stop() == 0


def test_a_look_that_breaks_ends_the_watch_with_a_sentence_and_the_next_judges_what_landed(
    made: Set,
) -> None:
    with made.watching() as watch, made.fault("look-breaks"):
        assert watch.ended() == 2
    assert f"{made.folder} can't be looked through any more: ValueError: made to fail" in watch.said
    assert "Traceback" not in watch.said
    made.land("F1.dng", seed=1)
    with made.watching() as watch:
        watch.wait(lambda: watch.files == ["F1.dng"])


def test_with_the_clock_set_back_frames_still_follow_those_that_landed_before(made: Set) -> None:
    """The ledger's last frame landed an hour after now: that is how a set-back clock looks."""
    made.land("F1.dng", seed=1)
    with Ledger(made.place) as ledger:
        place = Place(str(made.folder), "F0.dng", Stamp(1, 2, 3))
        record = Record("F0.dng", "measured")
        later = time.time_ns() + HOUR_NS
        ledger.frames.keep(record, place, sha256="0" * 64, landed_ns=later)
    with made.watching() as watch:
        watch.wait(lambda: "F1.dng" in watch.files)
        for number in (2, 3, 4):
            path = made.land(f"F{number}.dng", seed=number)
            os.utime(path, (0, 0))
            watch.wait(lambda number=number: len(watch.files) == number)
        assert watch.stop() == 0
    kept = made.kept()
    assert kept.index("F0.dng") < kept.index("F2.dng")
    assert [file for file in kept if file in {"F2.dng", "F3.dng", "F4.dng"}] == watch.files[1:]


NO_EVENTS = 'echo 0 > /proc/sys/user/max_inotify_instances; exec "$0" "$@"'


def test_with_no_folder_events_left_in_the_system_the_sweep_finds_every_frame(made: Set) -> None:
    before = ("unshare", "--user", "--map-root-user", "sh", "-c", NO_EVENTS)
    if not may(*before, "true"):
        pytest.skip("this user may not set a limit on folder events here")
    with made.watching(before=before) as watch:
        watch.wait_for("no folder events: ")
        for number in (1, 2):
            made.land(f"F{number}.dng", seed=number)
        watch.wait(lambda: len(watch.files) == 2)
        assert watch.stop() == 0
    assert watch.files == made.kept()


def without_root() -> tuple[str, ...]:
    """Return what to put before a command so that the system refuses it what it refuses others."""
    if os.geteuid() != 0:
        return ()
    before = ("setpriv", "--bounding-set=-dac_override,-dac_read_search")
    if not may(*before, "true"):
        pytest.skip("root's rights can't be lowered here")
    return before


def test_a_file_that_may_not_be_read_is_told_and_judged_once_it_may(made: Set) -> None:
    with made.watching(before=without_root()) as watch:
        made.land("F1.dng.hold", seed=1).chmod(0)
        (made.folder / "F1.dng.hold").rename(made.folder / "F1.dng")
        watch.wait_for("F1.dng: it can't be opened: permission denied")
        made.land("F2.dng", seed=2)
        watch.wait(lambda: watch.files == ["F2.dng"])
        (made.folder / "F1.dng").chmod(0o400)
        watch.wait(lambda: watch.files == ["F2.dng", "F1.dng"])
        assert watch.stop() == 0


@pytest.mark.parametrize("has_ledger", [False, True], ids=["none there", "one there"])
def test_where_no_ledger_can_be_written_memory_is_offered_and_works(
    made: Set, *, has_ledger: bool
) -> None:
    before = without_root()
    made.place.parent.mkdir()
    if has_ledger:
        Ledger(made.place).close()
        made.place.chmod(0o444)
    made.place.parent.chmod(0o555)
    code, said = refused(made.folder, made.place, before=before)
    assert code == 2
    assert "the ledger can't be used" in said
    assert "--ledger :memory: to keep nothing" in said
    assert said.count("\n") == 0
    made.land("F1.dng", seed=1)
    with WatchCommand(made.folder, ":memory:", before=before) as watch:
        watch.wait(lambda: watch.files == ["F1.dng"])
        assert watch.stop() == 0
    made.place.parent.chmod(0o755)


@contextmanager
def locked(place: Path) -> Iterator[None]:
    """Hold a ledger locked as another program does that writes for long."""
    with closing(sqlite3.connect(place, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        yield
        other.execute("ROLLBACK")


def test_a_ledger_that_is_locked_delays_neither_a_frames_first_word_nor_the_end(
    made: Set,
) -> None:
    with made.watching() as watch:
        made.land("F1.dng", seed=1)
        watch.wait(lambda: watch.files == ["F1.dng"])
        with locked(made.place):
            made.land("F2.dng", seed=2)
            watch.wait_for("(not kept yet: F2.dng, measured)")
        watch.wait(lambda: watch.files == ["F1.dng", "F2.dng"])
        with locked(made.place):
            made.land("F3.dng", seed=3)
            watch.wait_for("(not kept yet: F3.dng, measured)")
            assert watch.stop() == 0
    assert made.kept() == ["F1.dng", "F2.dng"]


def test_a_ledger_that_is_locked_at_the_start_is_said_and_the_wait_ends_when_asked(
    made: Set,
) -> None:
    Ledger(made.place).close()
    faults = {"STOPWISE_TEST_FAULTS": str(made.base / "faults")}
    begun = WatchCommand(made.folder, made.place, script=SCRIPT, environment=faults)
    with locked(made.place), begun as watch:
        watch.wait_for("another program holds the ledger locked. Waiting.")
        assert watch.stop() == 0


def test_a_plan_whose_medium_hangs_holds_up_neither_a_frame_nor_the_end(made: Set) -> None:
    with made.watching("--plan", str(made.plan())) as watch, made.fault("plan-hangs"):
        for number in (1, 2):
            made.land(f"F{number}.dng", seed=number)
            watch.wait(lambda number=number: len(watch.files) == number)
        assert watch.stop() == 0
    assert made.kept() == ["F1.dng", "F2.dng"]


def test_the_watch_s_own_process_opens_no_frame(made: Set) -> None:
    with made.fault("watch-opens"), made.watching("--plan", str(made.plan())) as watch:
        for number in range(3):
            made.land(f"F{number}.dng", seed=number + 1)
        watch.wait(lambda: len(watch.files) == 3)
        (made.folder / "F0.dng").rename(made.folder / "F9.dng")
        (made.folder / "cut.dng").write_bytes((made.folder / "F1.dng").read_bytes()[:-9])
        watch.wait(lambda: len(watch.files) == 4)
        assert watch.stop() == 0
    assert {record["verdict"] for record in watch.records} == {"measured", "unreadable"}
    assert "input/output" not in watch.said.lower()


def test_a_damaged_ledger_is_set_aside_under_a_name_that_is_told_and_filled_again(
    made: Set,
) -> None:
    with made.watching() as watch:
        for number in range(3):
            made.land(f"F{number}.dng", seed=number + 1)
            watch.wait(lambda number=number: len(watch.files) == number + 1)
        assert watch.stop() == 0
    sound = made.place.read_bytes()
    torn = sound[: len(sound) // 2] + Random(1).randbytes(len(sound) - len(sound) // 2)
    for tail in ("-wal", "-shm"):
        made.place.with_name(f"l.sqlite{tail}").unlink(missing_ok=True)
    made.place.write_bytes(torn)
    with made.watching() as watch:
        watch.wait(lambda: len(watch.files) == 3)
        assert watch.stop() == 0
    (aside,) = made.place.parent.glob("l.sqlite.damaged-*")
    assert str(aside) in watch.said
    assert aside.read_bytes() == torn
    assert made.kept() == ["F0.dng", "F1.dng", "F2.dng"]


def test_a_ledger_that_is_taken_away_under_the_watch_is_begun_anew(made: Set) -> None:
    with made.watching() as watch:
        made.land("F1.dng", seed=1)
        watch.wait(lambda: watch.files == ["F1.dng"])
        for path in made.place.parent.glob("l.sqlite*"):
            path.unlink()
        made.land("F2.dng", seed=2)
        watch.wait_for("the ledger's file was taken away or replaced")
        watch.wait(lambda: set(watch.files) == {"F1.dng", "F2.dng"})
        watch.wait(lambda: len(made.kept()) == 2)
        assert watch.stop() == 0


def test_a_second_watch_on_the_same_ledger_waits_for_its_turn(made: Set) -> None:
    with made.watching() as first:
        made.land("F1.dng", seed=1)
        first.wait(lambda: first.files == ["F1.dng"])
        with made.watching() as second:
            second.wait_for("another watcher works on this folder")
            made.land("F2.dng", seed=2)
            first.wait(lambda: len(first.files) == 2)
            assert first.stop() == 0
            made.land("F3.dng", seed=3)
            second.wait(lambda: second.files == ["F3.dng"])
            assert second.stop() == 0
    assert made.kept() == ["F1.dng", "F2.dng", "F3.dng"]


def test_what_cannot_begin_says_so_in_a_sentence_or_two_and_ends_with_2(made: Set) -> None:
    for folder, ledger, words in (
        (made.base / "nowhere", made.place, "nowhere isn't a folder. Check the name"),
        (made.folder, made.folder / "l.sqlite", "the ledger lies in the watched folder"),
    ):
        code, said = refused(folder, ledger)
        assert code == 2
        assert words in said
        assert "Traceback" not in said
    assert list(made.folder.iterdir()) == []

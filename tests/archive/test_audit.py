"""`stopwise audit`: every file once and in order, here and on a cluster, on from where it was."""

from __future__ import annotations

import csv
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

import pytest
from pyarrow import parquet

from golden.kept import differences
from stopwise.archive import (
    ArchiveTally,
    Engine,
    MeasuredFile,
    measured,
    on_cluster,
    raw_files,
)
from stopwise.cli import run
from stopwise.folder.names import in_order
from stopwise.ledger import Ledger
from stopwise.pipeline import Brief
from stopwise.record import record_from_json
from support.kept_day import SAMPLES
from support.watching import PATIENCE_S, wait_until

PLAN = SAMPLES / "plan.toml"


@pytest.fixture(scope="module")
def archive(tmp_path_factory):
    """Return an archive of two days, a hidden folder and what is no raw file."""
    root = tmp_path_factory.mktemp("archive")
    for number in range(1, 22):
        day = root / ("2026-03-02" if number < 12 else "2026-03-02/late/2")
        day.mkdir(parents=True, exist_ok=True)
        shutil.copy(SAMPLES / f"F00{number:02d}.dng", day)
    (root / ".trash").mkdir()
    shutil.copy(SAMPLES / "F0001.dng", root / ".trash" / "F0099.dng")
    (root / "notes.txt").write_text("none of ours")
    (root / "again.dng").symlink_to(root / "2026-03-02" / "F0001.dng")
    return root


def kept_in(place):
    with Ledger(place, is_read_only=True) as ledger:
        return list(ledger.frames.all())


def has_kept(place, count):
    """Tell whether a ledger that is only being made holds so many frames yet, held up by nobody."""
    try:
        with closing(sqlite3.connect(f"file:{place}?mode=ro", uri=True, timeout=0.0)) as opened:
            return opened.execute("SELECT count(*) FROM frames").fetchone()[0] >= count
    except sqlite3.Error:
        return False


def plain(row):
    """Return a record without what differs from run to run, and from path to path."""
    return {key: value for key, value in row.items() if key not in ("file", "sha256", "timing_ms")}


@pytest.fixture(scope="module")
def audited(archive, tmp_path_factory):
    """Return the folder with the ledger and the tables of an audit under the plan."""
    out = tmp_path_factory.mktemp("audited")
    tables = ["--csv", str(out / "all.csv"), "--parquet", str(out / "all.parquet")]
    ledger = ["--ledger", str(out / "all.sqlite")]
    assert run(["audit", str(archive), "--plan", str(PLAN), *ledger, *tables]) == 3
    return out


def test_each_file_is_kept_once_as_check_says_it(audited, archive, sample_records):
    kept = kept_in(audited / "all.sqlite")
    assert {one.row["file"] for one in kept} == {
        name for name, _ in raw_files(archive, failed=print)
    }
    assert len(kept) == 21
    full_sets = [one for one in kept if Path(one.row["file"]).name > "F0008.dng"]
    for one in full_sets:  # those before are the plan's own only where the plan looks for them
        told = plain(sample_records[Path(one.row["file"]).name])
        assert not [*differences(told, plain(one.row))]


def test_the_tables_hold_each_record(audited):
    verdicts = [one.row["verdict"] for one in kept_in(audited / "all.sqlite")]
    with (audited / "all.csv").open(encoding="utf-8", newline="") as file:
        assert [row["verdict"] for row in csv.DictReader(file)] == verdicts
    table = parquet.read_table(audited / "all.parquet").to_pydict()
    assert table["verdict"] == verdicts
    patches = [one.row["patches"] for one in kept_in(audited / "all.sqlite")]
    zones = [one.get("lit cheek", {}).get("zone") for one in patches]
    assert table["patches.lit cheek.zone"] == zones


def test_what_was_kept_is_not_read_again_and_what_changed_or_went_is_noticed(
    archive, tmp_path, capsys
):
    mine = tmp_path / "archive"
    shutil.copytree(archive / "2026-03-02", mine)
    ledger = ["--ledger", str(tmp_path / "a.sqlite")]
    run(["audit", str(mine), *ledger])
    (mine / "F0002.dng").unlink()
    shutil.copy(SAMPLES / "F0013.dng", mine / "F0003.dng")  # its content is kept already
    shutil.copy(SAMPLES / "F0004.dng", mine / "copy of.dng")
    capsys.readouterr()
    run(["audit", str(mine), *ledger])
    said = capsys.readouterr().out
    assert "22 frames" not in said
    assert "21 frames: 2 read now, 19 kept before" in said
    with Ledger(tmp_path / "a.sqlite", is_read_only=True) as opened:
        known = opened.frames.known(str(mine))
    assert known["F0002.dng"].is_gone
    assert not known["copy of.dng"].is_gone


HELD_AFTER_THREE = """\
import signal, time
signal.signal(signal.SIGINT, signal.default_int_handler)
from stopwise.__main__ import main
from stopwise.ledger.frames import Frames

keep, kept = Frames.keep, []

def keep_three(*given, **named):
    if len(kept) == 3:
        time.sleep(600)
    kept.append(keep(*given, **named))
    return kept[-1]

Frames.keep = keep_three
main()
"""
"""The command, which keeps three frames and no more until it is ended. It heeds Ctrl-C also where a
shell that runs the tests in the background has it ignored, as POSIX.1 asks of shells (Shell Command
Language, 2.11)."""


def test_one_that_is_ended_goes_on_where_it_was(archive, tmp_path):
    place = tmp_path / "a.sqlite"
    said = ["audit", str(archive), "--ledger", str(place)]
    command = [sys.executable, "-c", HELD_AFTER_THREE, *said, "--workers", "1"]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL) as going:
        wait_until(lambda: has_kept(place, 3) or going.poll() is not None)
        going.send_signal(signal.SIGINT)
        assert going.wait(PATIENCE_S) == 1
    before = {one.frame: one.sha256 for one in kept_in(place)}
    assert len(before) == 3
    command = [sys.executable, "-m", "stopwise", *said]
    done = subprocess.run(command, check=False, capture_output=True, text=True)
    assert done.returncode == 3
    after = {one.frame: one.sha256 for one in kept_in(place)}
    assert before.items() <= after.items()
    assert len(set(after.values())) == len(after) == 21
    assert f"{21 - len(before)} read now, {len(before)} kept before" in done.stdout


def test_names_are_told_in_the_order_in_which_people_count(tmp_path):
    for name in ("F10.dng", "F2.dng", "b/F1.dng", "a/F1.dng"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).touch()
    assert [name for name, _ in raw_files(tmp_path, failed=print)] == [
        "F2.dng", "F10.dng", "a/F1.dng", "b/F1.dng",
    ]  # fmt: skip
    assert sorted(["F10", "F2"], key=in_order) == ["F2", "F10"]


def test_answers_come_in_order_and_only_so_many_are_under_way():
    """The slow first one holds nobody up, and memory holds for any archive."""
    under_way, most = set(), []

    def measure(path, brief):
        under_way.add(path)
        most.append(len(under_way))
        time.sleep(0.02 if path.name == "0" else 0.0)
        return MeasuredFile(None, fault=brief.file)

    with ThreadPoolExecutor(2) as pool:
        engine = Engine(lambda path, brief: pool.submit(measure, path, brief), 2)
        names = [str(number) for number in range(200)]
        told = []
        for name, one in measured(engine, names, Brief(), root=Path("/x")):
            under_way.discard(Path("/x", name))
            told.append((name, one.fault))
    assert told == [(name, name) for name in names]
    assert max(most) <= 9


def test_a_file_that_cant_be_read_now_is_told_and_tried_again(
    tmp_path, archive, capsys, monkeypatch
):
    import stopwise.archive

    mine = tmp_path / "archive"
    mine.mkdir()
    shutil.copy(SAMPLES / "F0011.dng", mine)
    shutil.copy(SAMPLES / "F0012.dng", mine)
    answered = stopwise.archive._answered

    def refused(reader, path, brief):
        if path.name == "F0011.dng":
            return MeasuredFile(None, fault="Input/output error")
        return answered(reader, path, brief)

    monkeypatch.setattr(stopwise.archive, "_answered", refused)
    ledger = ["--ledger", str(tmp_path / "a.sqlite")]
    assert run(["audit", str(mine), *ledger]) == 3
    told = capsys.readouterr()
    assert "F0011.dng: Input/output error" in told.err
    assert "1 could not be read this time" in told.err
    monkeypatch.undo()
    assert run(["audit", str(mine), *ledger]) == 0
    assert "2 frames: 1 read now, 1 kept before" in capsys.readouterr().out


def test_an_audit_is_kept_apart_from_a_watch_of_the_same_folder(archive, tmp_path, monkeypatch):
    """Else the watch would take its frames for judged."""
    from stopwise.ledger import default_place

    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    mine = tmp_path / "mine"
    mine.mkdir()
    shutil.copy(SAMPLES / "F0011.dng", mine)
    assert run(["audit", str(mine)]) == 0
    assert not default_place(mine).exists()
    assert len(list(tmp_path.rglob("audits/*.sqlite"))) == 1


def test_what_it_came_to_is_counted(sample_records):
    tally = ArchiveTally()
    for row in sample_records.values():
        tally.add(record_from_json(row))
    told = dict(tally.tables())
    assert told["verdict"] == {
        verdict: sum(row["verdict"] == verdict for row in sample_records.values())
        for verdict in told["verdict"]
    }
    assert told["day"] == {"2026-03-02": 20}
    assert told["camera"] == {"Lumenfold LF-1": 20}
    assert told["unreadable"] == {"the file is cut short": 1}
    blown = [
        sum(area["fraction"] for area in row["clipping"]["areas"])
        for row in sample_records.values()
        if row["clipping"]
    ]
    assert list(told["blown"].values())[:4] == [
        sum(share > least for share in blown) for least in (0.0, 0.001, 0.01, 0.05)
    ]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["nowhere"], "isn't a folder that is there"),
        ([".", "--root-there", "/x"], "--root-there goes with --dask"),
        ([".", "--workers", "0"], "0 is not in the range"),
        ([".", "--dask", "tcp://127.0.0.1:1"], "no scheduler answers"),
    ],
)
def test_wrong_use_is_refused_in_a_sentence(arguments, said, capsys, tmp_path, monkeypatch):
    import stopwise.archive

    monkeypatch.setattr(stopwise.archive, "_CONNECT_S", 0.5)
    ledger = ["--ledger", str(tmp_path / "a.sqlite")]
    assert run(["audit", *arguments, *ledger]) == 2
    assert said in capsys.readouterr().err


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")  # of the cluster's own libraries
def test_a_cluster_tells_the_same_though_a_worker_is_lost_and_it_sees_another_root(
    archive, audited, tmp_path
):
    """A real scheduler and two workers on loopback, one of them killed at work."""
    from distributed import LocalCluster

    there = tmp_path / "mounted elsewhere"
    there.symlink_to(archive, target_is_directory=True)
    with LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None
    ) as cluster:
        with on_cluster(cluster.scheduler_address) as engine:
            assert engine.workers == 2
        pids = [worker.pid for worker in cluster.workers.values()]
        command = [
            *(sys.executable, "-m", "stopwise", "audit", str(archive), "--plan", str(PLAN)),
            *("--dask", cluster.scheduler_address, "--root-there", str(there)),
            *("--ledger", str(tmp_path / "a.sqlite")),
        ]
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT) as going:
            until = time.monotonic() + 200
            while not has_kept(tmp_path / "a.sqlite", 1):
                assert going.poll() is None, going.communicate()[0]
                assert time.monotonic() < until
                time.sleep(0.05)
            os.kill(pids[0], signal.SIGKILL)
            said = going.communicate(timeout=240)[0].decode()
            assert going.returncode == 3, said  # one of them is cut short
    here, elsewhere = (
        {one.row["file"]: plain(one.row) for one in kept_in(place)}
        for place in (audited / "all.sqlite", tmp_path / "a.sqlite")
    )
    # a worker of the cluster adds up in one thread: what is left of a lamp's 0 stops differs
    assert not [*differences(here, elsewhere)]

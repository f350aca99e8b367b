"""A hand-over: every file whole, what was interrupted goes on, nothing else is ever touched."""

from __future__ import annotations

import csv
import hashlib
import os
import shutil
import subprocess

import pytest
from pyarrow import parquet

from stopwise.cli import run
from stopwise.errors import StopwiseError
from stopwise.handover.bundle import README, SUMS, Bundle, faults_in
from stopwise.ledger import Ledger
from stopwise.record import record_from_json
from support.kept_day import SAMPLES, keep_day


@pytest.fixture(scope="module")
def ledger(tmp_path_factory, sample_records):
    return keep_day(tmp_path_factory.mktemp("day") / "day.sqlite", sample_records)


@pytest.fixture(scope="module")
def handed(tmp_path_factory, ledger):
    folder = tmp_path_factory.mktemp("disk") / "fencer"
    assert run(["hand-over", str(folder), "--ledger", str(ledger), "--parquet"]) == 0
    return folder


def test_each_file_is_what_it_must_be_by_another_program(handed):
    """Coreutils' own check of its own format."""
    done = subprocess.run(
        ["sha256sum", "--check", "--strict", "SHA256SUMS"],
        check=False,
        cwd=handed,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout
    listed = {line.split("  ")[1] for line in (handed / "SHA256SUMS").read_text().splitlines()}
    assert listed == {path.name for path in handed.iterdir()} - {"SHA256SUMS"}


def test_the_raws_are_the_cameras_own_bytes(handed):
    from stopwise.plan import load_plan

    names = {one.file for one in load_plan(handed / "plan.toml").frames.marked}
    assert len(names) == 9
    for name in names:
        assert (handed / name).read_bytes() == (SAMPLES / name).read_bytes()


def test_a_light_is_built_again_from_it_elsewhere_with_the_same_figures(
    handed, ledger, tmp_path, capsys
):
    elsewhere = tmp_path / "other house"
    shutil.copytree(handed, elsewhere)
    solos = [f"key={SAMPLES / 'F0004.dng'}", f"fill={SAMPLES / 'F0005.dng'}", "--json"]
    run(["rebuild", str(elsewhere), "--take", "2", *solos])
    there = capsys.readouterr().out
    here = ["rebuild", str(ledger), "--take", "2", "--plan", str(SAMPLES / "plan.toml"), *solos]
    run(here)
    assert capsys.readouterr().out == there
    assert '"matches": true' in there


def test_the_figures_are_those_of_the_records(handed, sample_records):
    with (handed / "frames.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    records = [record_from_json(row) for row in sample_records.values()]
    assert [(row["what"], row["do"]) for row in rows] == [record.headline for record in records]
    told = [row["zone lit cheek"] and float(row["zone lit cheek"]) for row in rows]
    patches = [record.patches.get("lit cheek") for record in records]
    assert told == [("" if one is None or one.zone is None else one.zone) for one in patches]
    assert len(rows[0]) < 40
    levelled = {row["file"] for row in rows if row["level_stops"]}
    assert "F0011.dng" in levelled
    assert not levelled & {f"F000{number}.dng" for number in range(1, 9)}  # a card, one lamp alone
    table = parquet.read_table(handed / "frames.parquet").to_pydict()
    assert table["verdict"] == [record.verdict for record in records]


def test_the_ledger_is_whole_and_the_first_stays_as_it_was(handed, ledger):
    with (
        Ledger(handed / "ledger.sqlite", is_read_only=True) as there,
        Ledger(ledger, is_read_only=True) as here,
    ):
        assert [one.row for one in there.frames.all()] == [one.row for one in here.frames.all()]
        assert [one.turned for one in there.takes.all()] == [one.turned for one in here.takes.all()]


def test_a_changed_file_is_told(handed, tmp_path, capsys):
    copy = tmp_path / "copy"
    shutil.copytree(handed, copy)
    assert run(["hand-over", str(copy), "--check"]) == 0
    with (copy / "F0004.dng").open("r+b") as file:
        file.seek(1000)
        file.write(b"\x00\x01")
    (copy / "floor.svg").unlink()
    assert run(["hand-over", str(copy), "--check"]) == 1
    said = capsys.readouterr().out
    assert "F0004.dng was changed since it was handed over." in said
    assert "floor.svg" in said


def full_disk(_path):
    raise OSError(28, "No space left on device", str(_path))


def test_one_that_was_interrupted_goes_on_and_says_so(tmp_path):
    sources = {}
    for number in range(4):
        sources[f"F{number}.dng"] = tmp_path / f"F{number}.dng"
        sources[f"F{number}.dng"].write_bytes(bytes([number]) * 100_000)
    folder = tmp_path / "out"
    going = Bundle(folder, away_from=()).write("told", copied=sources, made={})
    seen = [next(going).name for _ in range(3)]  # the readme and two raws; then the power is cut
    going.close()
    assert seen == ["README.txt", "F0.dng", "F1.dng"]
    with pytest.raises(StopwiseError, match="no whole hand-over"):
        faults_in(folder)
    again = Bundle(folder, away_from=())
    assert again.was_interrupted
    written = list(again.write("told", copied=sources, made={}))
    assert [one.name for one in written if one.was_there] == ["F0.dng", "F1.dng"]
    assert faults_in(folder) == []
    sums = {one.name: one.sha256 for one in written}
    assert sums["F3.dng"] == hashlib.sha256(bytes([3]) * 100_000).hexdigest()
    assert not list(folder.glob(".*"))


def test_a_disk_that_is_full_ends_it_in_a_sentence_and_leaves_no_list(tmp_path):
    bundle = Bundle(tmp_path / "out", away_from=())
    with pytest.raises(StopwiseError, match=r"No space left|no room"):
        list(bundle.write("told", copied={}, made={"ledger.sqlite": full_disk}))
    assert {path.name for path in (tmp_path / "out").iterdir()} == {"README.txt"}


def test_nothing_is_written_where_frames_land_or_where_anything_else_lies(tmp_path):
    shoot = tmp_path / "shoot"
    shoot.mkdir()
    with pytest.raises(StopwiseError, match="among the shoot's own files"):
        Bundle(shoot / "out", away_from=(shoot,))
    other = tmp_path / "other"
    other.mkdir()
    (other / "thesis.txt").write_text("mine")
    with pytest.raises(StopwiseError, match="nothing is written over"):
        Bundle(other, away_from=(shoot,))
    assert [path.name for path in other.iterdir()] == ["thesis.txt"]


@pytest.mark.parametrize("name", [README, SUMS])
def test_a_pipe_in_the_place_of_its_own_files_is_never_waited_for(tmp_path, name):
    os.mkfifo(tmp_path / name)
    with pytest.raises(StopwiseError, match="nothing is written over"):
        Bundle(tmp_path, away_from=())
    with pytest.raises(StopwiseError, match="no whole hand-over"):
        faults_in(tmp_path)


def test_a_frame_that_lies_outside_the_plans_folder_comes_along(tmp_path, sample_records):
    plan = tmp_path / "plans" / "plan.toml"
    plan.parent.mkdir()
    text = (SAMPLES / "plan.toml").read_text(encoding="utf-8")
    frames = tmp_path / "shoot"
    frames.mkdir()
    for number in range(1, 12):
        shutil.copy(SAMPLES / f"F00{number:02d}.dng", frames)
    head, marked = text.split("[frames]")
    marked, tail = marked.split("[set]")
    marked = marked.replace('"F', '"../shoot/F')
    plan.write_text(f"{head}[frames]{marked}[set]{tail}", encoding="utf-8")
    ledger = keep_day(tmp_path / "day.sqlite", sample_records, plan=plan)
    out = tmp_path / "out"
    assert run(["hand-over", str(out), "--ledger", str(ledger)]) == 0
    assert "../" not in (out / "plan.toml").read_text(encoding="utf-8")
    assert "# The patches follow the sitter" in (out / "plan.toml").read_text(encoding="utf-8")
    assert (out / "F0004.dng").read_bytes() == (SAMPLES / "F0004.dng").read_bytes()

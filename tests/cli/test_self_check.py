"""`stopwise self-check`: it tries what it tells of, writes nowhere else, and names nobody."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from stopwise.cli import run
from support.kept_day import SAMPLES


@pytest.fixture
def folder(tmp_path):
    place = tmp_path / "shoot"
    place.mkdir()
    shutil.copy(SAMPLES / "F0011.dng", place)
    return place


def test_all_that_it_stands_on_is_tried_and_told(folder, capsys):
    before = [(path, path.stat().st_mtime_ns) for path in (folder, *folder.iterdir())]
    assert run(["self-check", str(folder)]) == 0
    told = capsys.readouterr().out
    for what in (
        "stopwise",
        "decoder",
        "a frame",
        "folder events",
        "ledger",
        "page",
        "this folder",
    ):
        assert f" {what}" in told
    assert "on plan, as it was made" in told
    assert "1 entries, 1 raw files" in told
    assert [(path, path.stat().st_mtime_ns) for path in (folder, *folder.iterdir())] == before


def test_nobodys_name_is_told(monkeypatch, tmp_path, capsys):
    home = tmp_path / "home of somebody"
    home.mkdir()
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.setenv("XDG_DATA_HOME", str(home / "data"))
    assert run(["self-check"]) == 0
    told = capsys.readouterr().out
    assert "somebody" not in told
    assert "~/data" in told
    assert not list(home.rglob("*.sqlite"))


def test_a_ledger_that_cant_be_written_is_told_with_its_place(monkeypatch, tmp_path, capsys):
    (tmp_path / "file").write_text("no folder")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "file"))
    assert run(["self-check"]) == 1
    (line,) = (one for one in capsys.readouterr().out.splitlines() if " ledger " in one)
    assert str(tmp_path / "file") in line
    assert "page" not in line


def test_a_frame_that_comes_out_otherwise_is_told(monkeypatch, tmp_path, capsys):
    from stopwise.cli import demo_command

    for name in ("plan.toml", *(path.name for path in SAMPLES.glob("F00*.dng"))):
        shutil.copy(SAMPLES / name, tmp_path)
    shutil.copy(SAMPLES / "F0009.dng", tmp_path / "F0011.dng")
    monkeypatch.setattr(demo_command, "sample_folder", lambda: Path(tmp_path))
    assert run(["self-check"]) == 1
    assert "off plan" in capsys.readouterr().out

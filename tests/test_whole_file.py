"""A file written whole: what was there stays until it is, and a link is replaced, not followed."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from stopwise import whole_file
from stopwise.errors import WrongUse
from stopwise.whole_file import write_whole

if TYPE_CHECKING:
    from pathlib import Path


def test_a_link_is_replaced_and_what_it_led_to_stays(tmp_path: Path) -> None:
    (tmp_path / "raw").write_bytes(b"raw")
    (tmp_path / "out").symlink_to(tmp_path / "raw")
    write_whole(tmp_path / "out", b"new")
    assert (tmp_path / "raw").read_bytes() == b"raw"
    assert (tmp_path / "out").read_bytes() == b"new"
    assert not (tmp_path / "out").is_symlink()


def test_what_cant_be_written_leaves_the_old_file_and_no_spare(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "out").write_bytes(b"old")

    opened = os.fdopen

    def full(handle: int, mode: str) -> object:
        return opened(os.dup2(os.open("/dev/full", os.O_WRONLY), handle), mode)

    monkeypatch.setattr(whole_file.os, "fdopen", full)
    with pytest.raises(WrongUse, match="No space left"):
        write_whole(tmp_path / "out", b"new")
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {"out": b"old"}


@pytest.mark.parametrize("name", ["folder", "pipe"])
def test_what_is_no_file_is_not_replaced(tmp_path: Path, name: str) -> None:
    (tmp_path / "folder").mkdir()
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(WrongUse, match="isn't a file"):
        write_whole(tmp_path / name, b"new")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["folder", "pipe"]


def test_a_new_file_may_be_read_by_whom_the_system_lets(tmp_path: Path) -> None:
    plain = tmp_path / "plain"
    plain.write_bytes(b"")
    write_whole(tmp_path / "out", b"new")
    assert (tmp_path / "out").stat().st_mode == plain.stat().st_mode

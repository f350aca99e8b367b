"""Looking at a real folder: kinds of files, any names, and no file ever opened."""

from __future__ import annotations

import os
import socket
import sys
from typing import TYPE_CHECKING

import pytest

from stopwise.folder.listing import look_at, sweep
from support.watching import tiny_raw

if TYPE_CHECKING:
    from pathlib import Path

    from stopwise.folder.listing import Listing


def paths(listing: Listing) -> set[str]:
    return {seen.path for seen in listing.raws}


def test_raw_files_in_subfolders_are_seen_and_others_are_not(tmp_path: Path) -> None:
    for name in ("F1.dng", "day/F2.ARW", "day/two/F3.cr3", "F1.xmp", ".hidden/F4.dng", ".F5.dng"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(tiny_raw(1))
    (tmp_path / "day/F2.JPG").write_bytes(b"picture")

    listing = sweep(str(tmp_path))
    assert paths(listing) == {"F1.dng", "day/F2.ARW", "day/two/F3.cr3"}
    assert listing.pictures == {"day/F2.JPG"}


def test_a_hint_sees_the_same_as_a_sweep_and_never_a_hidden_place(tmp_path: Path) -> None:
    for name in ("F1.dng", "day/F2.dng", ".trash/F3.dng", ".F4.dng"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(tiny_raw(1))
    hints = ("F1.dng", "day", ".trash/F3.dng", ".trash", ".F4.dng", "gone.dng", "F1.dng/below")
    listing = look_at(str(tmp_path), hints)
    assert paths(listing) == {"F1.dng", "day/F2.dng"}
    assert listing.missing == {"gone.dng", "F1.dng/below"}
    assert listing.raws == [
        seen for path in ("F1.dng", "day/F2.dng") for seen in sweep(str(tmp_path)).raws
        if seen.path == path
    ]  # fmt: skip


@pytest.mark.skipif(sys.platform == "win32", reason="this system has no such names and files")
def test_links_pipes_sockets_and_devices_are_passed_over_unopened(tmp_path: Path) -> None:
    real = tmp_path / "F1.dng"
    real.write_bytes(tiny_raw(1))
    (tmp_path / "link.dng").symlink_to(real)
    (tmp_path / "dangling.dng").symlink_to("nowhere")
    (tmp_path / "loop").symlink_to(tmp_path)
    (tmp_path / "link.txt").symlink_to(real)
    os.mkfifo(tmp_path / "pipe.dng")
    (tmp_path / "folder.dng").mkdir()
    (tmp_path / "folder.dng/F2.dng").write_bytes(tiny_raw(2))
    with socket.socket(socket.AF_UNIX) as listener:
        os.chdir(tmp_path)
        listener.bind("socket.dng")
        listing = sweep(str(tmp_path))

    assert paths(listing) == {"F1.dng", "folder.dng/F2.dng"}
    assert listing.odd == {
        "link.dng": "a link",
        "dangling.dng": "a link",
        "loop": "a link",
        "pipe.dng": "a pipe",
        "socket.dng": "a socket",
    }


@pytest.mark.skipif(sys.platform != "linux", reason="this system doesn't take any name")
@pytest.mark.parametrize(
    "raw",
    [
        b"new\nline.dng",
        b"quote'\"`$(x);.dng",
        "emoji 😀\u202e.dng".encode(),
        b"broken \xff\xfe\x80.dng",
        b"x" * 251 + b".dng",
        b" .dng",
        b"-rf.dng",
        b"100%s{0}\\.dng",
    ],
)
def test_any_name_that_the_system_takes_is_seen(tmp_path: Path, raw: bytes) -> None:
    with open(os.path.join(os.fsencode(tmp_path), raw), "wb") as stream:  # noqa: PTH118, PTH123
        stream.write(tiny_raw(1))
    (seen,) = sweep(str(tmp_path)).raws
    assert os.fsencode(seen.path) == raw


def test_no_file_is_opened_by_a_look(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "F1.dng").write_bytes(tiny_raw(1))

    def refuse(*_: object, **__: object) -> None:
        raise AssertionError

    for opener in ("builtins.open", "io.open", "os.open"):
        monkeypatch.setattr(opener, refuse)
    found = (sweep(str(tmp_path)), look_at(str(tmp_path), ["F1.dng"]))
    monkeypatch.undo()
    assert [paths(listing) for listing in found] == [{"F1.dng"}] * 2


def test_a_folder_that_is_not_there_says_so_and_calls_nothing_missing(tmp_path: Path) -> None:
    for listing in (
        sweep(str(tmp_path / "gone")),
        look_at(str(tmp_path / "gone"), ["F1.dng"]),
    ):
        assert not listing.is_folder_there
        assert listing.missing == set()


@pytest.mark.parametrize("is_sweep", [True, False])
def test_a_folder_that_goes_while_it_is_looked_at_has_no_file_missing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, is_sweep: bool
) -> None:
    folder = tmp_path / "shoot"
    folder.mkdir()
    (folder / "F1.dng").write_bytes(tiny_raw(1))
    status = os.lstat

    def gone_before(path: str) -> os.stat_result:
        if folder.exists():
            folder.rename(tmp_path / "away")
        return status(path)

    monkeypatch.setattr("stopwise.folder.listing.os.lstat", gone_before)
    found = sweep(str(folder)) if is_sweep else look_at(str(folder), ["F1.dng"])
    assert not found.is_folder_there
    assert not found.missing


def test_a_sweep_tells_of_settled_files_what_it_did_not_meet_as_it_was(tmp_path: Path) -> None:
    for name in ("F1.dng", "F2.dng"):
        (tmp_path / name).write_bytes(b"raw")
    settled = {seen.path: hash(seen.stamp) for seen in sweep(str(tmp_path)).raws}
    (tmp_path / "F3.dng").write_bytes(b"raw")
    listing = sweep(str(tmp_path), settled)
    assert paths(listing) == {"F3.dng"}
    assert listing.unmet == set()
    assert set(listing.raw_paths) == {"F1.dng", "F2.dng", "F3.dng"}
    (tmp_path / "F1.dng").write_bytes(b"another")
    (tmp_path / "F2.dng").unlink()
    listing = sweep(str(tmp_path), settled)
    assert paths(listing) == {"F1.dng", "F3.dng"}
    assert listing.unmet == {"F1.dng", "F2.dng"}

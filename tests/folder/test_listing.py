"""Looking at a real folder: kinds of files, names, wholeness, and nothing ever opened in vain."""

from __future__ import annotations

import os
import socket
import struct
import sys
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from stopwise.folder import listing as listing_module
from stopwise.folder.listing import (
    Wholeness,
    has_gap,
    look_at,
    sweep,
    to_be_opened,
    wholeness,
)
from support.real_files import real_mosaic
from support.watching import tiny_raw

if TYPE_CHECKING:
    from pathlib import Path

    from stopwise.folder.listing import Listing
    from stopwise.ledger import Stamp


def yes(_path: str, _stamp: Stamp) -> bool:
    return True


def whole_look(folder: Path) -> Listing:
    """Sweep, and look into all that was found."""
    found = sweep(str(folder))
    seen = look_at(str(folder), to_be_opened(found, yes), needs_look=yes)
    assert {raw.path for raw in seen.raws} == {raw.path for raw in found.raws}
    assert {raw.wholeness for raw in found.raws} <= {Wholeness.UNSEEN}
    return replace(found, raws=seen.raws)


def paths(listing: Listing) -> set[str]:
    return {seen.path for seen in listing.raws}


def test_raw_files_in_subfolders_are_seen_and_others_are_not(tmp_path: Path) -> None:
    for name in ("F1.dng", "day/F2.ARW", "day/two/F3.cr3", "F1.xmp", ".hidden/F4.dng", ".F5.dng"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(tiny_raw(1))
    (tmp_path / "day/F2.JPG").write_bytes(b"picture")

    listing = whole_look(tmp_path)
    assert paths(listing) == {"F1.dng", "day/F2.ARW", "day/two/F3.cr3"}
    assert listing.pictures == {"day/F2.JPG"}
    assert {seen.wholeness for seen in listing.raws} == {Wholeness.WHOLE}


def test_a_hint_sees_the_same_as_a_sweep_and_never_a_hidden_place(tmp_path: Path) -> None:
    for name in ("F1.dng", "day/F2.dng", ".trash/F3.dng", ".F4.dng"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(tiny_raw(1))
    hints = ("F1.dng", "day", ".trash/F3.dng", ".trash", ".F4.dng", "gone.dng", "F1.dng/below")
    listing = look_at(str(tmp_path), hints, needs_look=yes)
    assert paths(listing) == {"F1.dng", "day/F2.dng"}
    assert listing.missing == {"gone.dng", "F1.dng/below"}
    assert listing.raws == [
        seen for path in ("F1.dng", "day/F2.dng") for seen in whole_look(tmp_path).raws
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
        listing = whole_look(tmp_path)

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
    (seen,) = whole_look(tmp_path).raws
    assert os.fsencode(seen.path) == raw
    assert seen.wholeness is Wholeness.WHOLE


def test_a_known_file_is_not_opened_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "F1.dng").write_bytes(tiny_raw(1))

    def refuse(_path: str, _size: int) -> Wholeness:
        raise AssertionError

    assert to_be_opened(sweep(str(tmp_path)), lambda _path, _stamp: False) == []
    monkeypatch.setattr(listing_module, "wholeness", refuse)
    listing = look_at(str(tmp_path), ["F1.dng"], needs_look=lambda _path, _stamp: False)
    assert paths(listing) == {"F1.dng"}


def test_a_file_that_cannot_be_opened_is_seen_as_denied_with_the_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "F1.dng").write_bytes(tiny_raw(1))

    def deny(_path: str, _size: int) -> Wholeness:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(listing_module, "wholeness", deny)
    (seen,) = look_at(str(tmp_path), ["F1.dng"], needs_look=yes).raws
    assert (seen.wholeness, seen.detail) == (Wholeness.DENIED, "permission denied")


def test_a_folder_that_is_not_there_says_so_and_calls_nothing_missing(tmp_path: Path) -> None:
    for listing in (
        whole_look(tmp_path / "gone"),
        look_at(str(tmp_path / "gone"), ["F1.dng"], needs_look=yes),
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
    if is_sweep:
        found = sweep(str(folder))
    else:
        found = look_at(str(folder), ["F1.dng"], needs_look=lambda *_: True)
    assert not found.is_folder_there
    assert not found.missing


def nested_boxes(depth: int) -> bytes:
    """Return boxes (ISO/IEC 14496-12, section 4.2), each but the last holding the next alone."""
    head = struct.pack(">I4s4sI4s", 20, b"ftyp", b"crx ", 1, b"isom")
    boxes = (struct.pack(">I4s", 8 * (depth - number), b"moov") for number in range(depth))
    return head + b"".join(boxes)


def dng_of_doubles(value: float) -> bytes:
    """Return an uncompressed DNG whose width, height and bits are doubles (TIFF 6.0, section 2)."""
    entries = [
        *((tag, 12, struct.pack("<d", value)) for tag in (256, 257, 258)),
        *((tag, 4, struct.pack("<I", number)) for tag, number in ((259, 1), (262, 32803))),
        *((tag, 4, struct.pack("<I", number)) for tag, number in ((273, 512), (279, 512))),
        (50706, 1, b"\1\4\0\0"),
    ]
    at = 8 + 2 + 12 * len(entries) + 4
    rows, values = b"", b""
    for tag, kind, data in entries:
        field = data if len(data) <= 4 else struct.pack("<I", at + len(values))
        values += data if len(data) > 4 else b""
        rows += struct.pack("<HHI", tag, kind, 4 if kind == 1 else 1) + field
    head = b"II*\0" + struct.pack("<IH", 8, len(entries))
    return (head + rows + bytes(4) + values).ljust(2048, b"\7")


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("boxes.cr3", nested_boxes(3000)),
        ("huge.dng", dng_of_doubles(1e308)),
        ("endless.dng", dng_of_doubles(float("inf"))),
        ("nothing.dng", dng_of_doubles(float("nan"))),
    ],
)
def test_no_file_ends_the_look_at_the_folder(tmp_path: Path, name: str, content: bytes) -> None:
    (tmp_path / name).write_bytes(content)
    (tmp_path / "F1.dng").write_bytes(tiny_raw(1))
    found = {seen.path: seen.wholeness for seen in whole_look(tmp_path).raws}
    assert found["F1.dng"] is Wholeness.WHOLE
    assert found[name] in {Wholeness.UNKNOWN, Wholeness.SHORT, Wholeness.WHOLE}


@pytest.mark.parametrize("kind", [RecursionError, ValueError, OverflowError, MemoryError, KeyError])
def test_a_file_that_cannot_be_made_out_only_rest_can_tell(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: type[Exception]
) -> None:
    def fail(_path: Path) -> int:
        raise kind

    monkeypatch.setattr("stopwise.raw.whole.declared_end", fail)
    (tmp_path / "F1.dng").write_bytes(tiny_raw(1))
    (seen,) = whole_look(tmp_path).raws
    assert seen.wholeness is Wholeness.UNKNOWN


@pytest.mark.parametrize("share", [0.0, 0.001, 0.01, 0.1, 0.5, 0.9, 0.99, 0.999])
def test_a_cut_file_is_short_wherever_it_is_cut(tmp_path: Path, share: float) -> None:
    content = tiny_raw(1, size=200_000)
    cut = tmp_path / "F1.dng"
    cut.write_bytes(content[: int(len(content) * share)])
    assert wholeness(str(cut), cut.stat().st_size) in {Wholeness.SHORT, Wholeness.UNKNOWN}


def test_a_file_whose_length_was_set_first_is_short_until_it_is_filled(tmp_path: Path) -> None:
    content = tiny_raw(1, size=500_000)
    path = tmp_path / "F1.dng"
    path.write_bytes(content)
    assert wholeness(str(path), len(content)) is Wholeness.WHOLE
    for share in (0.1, 0.5, 0.9, 0.97, 0.999):
        with path.open("wb") as stream:
            stream.truncate(len(content))
            stream.write(content[: int(share * len(content))])
        assert wholeness(str(path), len(content)) is Wholeness.SHORT, share
    with path.open("wb") as stream:
        stream.write(content[:200_000] + bytes(100_000) + content[300_000:])
    assert has_gap(str(path), len(content))


def test_a_real_raw_file_has_no_gap_and_is_whole(tmp_path: Path) -> None:
    real = real_mosaic()
    assert wholeness(str(real), real.stat().st_size) is Wholeness.WHOLE
    cut = tmp_path / "cut.arw"
    cut.write_bytes(real.read_bytes()[:-1000])
    assert wholeness(str(cut), cut.stat().st_size) is Wholeness.SHORT

"""Slips beside each other: none writes over another thing's, over what is no slip, or by a link."""

from __future__ import annotations

import io
import os
import zlib
from typing import TYPE_CHECKING

import pytest
from PIL import Image, PngImagePlugin

from stopwise.errors import WrongUse
from stopwise.report.slip_file import keep_slip

if TYPE_CHECKING:
    from pathlib import Path


def drawn(texts: dict[str, str]) -> bytes:
    """Return a PNG of one pixel that holds these texts."""
    held = PngImagePlugin.PngInfo()
    for key, words in texts.items():
        held.add_text(key, words)
    target = io.BytesIO()
    Image.new("RGB", (1, 1)).save(target, "PNG", pnginfo=held)
    return target.getvalue()


def test_frames_of_one_stem_get_a_slip_each_and_a_frame_judged_again_gets_its_own_anew(
    tmp_path: Path,
) -> None:
    kept = [
        keep_slip(tmp_path, "F1", of, drawn).name
        for of in ("/a/F1.dng", "/b/F1.dng", "/a/F1.cr2", "/b/F1.dng", "/a/F1.dng")
    ]
    assert kept == ["F1.png", "F1-2.png", "F1-3.png", "F1-2.png", "F1.png"]
    assert len(list(tmp_path.iterdir())) == 3


def test_what_is_no_slip_is_left_as_it_is(tmp_path: Path) -> None:
    (tmp_path / "F1.png").write_bytes(b"a picture of somebody's own")
    (tmp_path / "F1-2.png").mkdir()
    Image.new("RGB", (1, 1)).save(tmp_path / "F1-3.png")
    assert keep_slip(tmp_path, "F1", "/a/F1.dng", drawn).name == "F1-4.png"
    assert (tmp_path / "F1.png").read_bytes() == b"a picture of somebody's own"


def test_what_lies_in_its_place_is_never_waited_for_and_never_unpacked(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "F1.png")
    vast = bytearray(drawn({}))
    vast[16:24] = (1 << 20).to_bytes(4, "big") * 2  # width and height in IHDR (PNG, 11.2.2)
    vast[29:33] = zlib.crc32(vast[12:29]).to_bytes(4, "big")
    (tmp_path / "F1-2.png").write_bytes(vast)
    assert keep_slip(tmp_path, "F1", "/a/F1.dng", drawn).name == "F1-3.png"


@pytest.mark.parametrize("is_there", [True, False])
def test_a_slip_is_never_written_through_a_link(tmp_path: Path, *, is_there: bool) -> None:
    raw = tmp_path / "F1.dng"
    if is_there:
        raw.write_bytes(b"the raw")
    slips = tmp_path / "slips"
    slips.mkdir()
    (slips / "F1.png").symlink_to(raw)
    assert keep_slip(slips, "F1", "/a/F1.dng", drawn).name == "F1-2.png"
    assert raw.exists() is is_there
    assert not is_there or raw.read_bytes() == b"the raw"


def test_no_slip_tells_where_its_frame_lay(tmp_path: Path) -> None:
    place = keep_slip(tmp_path, "F1", "/home/somebody/F1.dng", drawn)
    assert b"somebody" not in place.read_bytes()


def test_a_folder_that_cant_be_made_is_refused_in_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(WrongUse, match=r"can't be made: .* Name a folder"):
        keep_slip(tmp_path / "file" / "slips", "F1", "/a/F1.dng", drawn)

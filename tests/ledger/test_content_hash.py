"""The content hash."""

from __future__ import annotations

import hashlib
import os
import sys
from random import Random
from typing import TYPE_CHECKING

import pytest

from stopwise.ledger import Stamp
from stopwise.ledger.frames import FileChangedError, content_hash

if TYPE_CHECKING:
    from pathlib import Path


def test_the_hash_of_known_bytes_is_the_published_one(tmp_path: Path) -> None:
    """FIPS 180-4's example for SHA-256, "abc" (NIST, Examples with Intermediate Values)."""
    (tmp_path / "f").write_bytes(b"abc")
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert content_hash(str(tmp_path / "f")) == expected


def test_a_large_file_is_hashed_whole(tmp_path: Path) -> None:
    content = Random(1).randbytes(3 * (1 << 20) + 17)
    (tmp_path / "f").write_bytes(content)
    assert content_hash(str(tmp_path / "f")) == hashlib.sha256(content).hexdigest()


def test_of_a_file_larger_than_any_frame_the_beginning_is_hashed(tmp_path: Path) -> None:
    path, beginning = tmp_path / "f", Random(1).randbytes(1 << 24)
    path.write_bytes(beginning + b"the end")
    assert content_hash(str(path)) == hashlib.sha256(beginning + b"the end").hexdigest()
    os.truncate(path, 1 << 40)  # a terabyte of which next to nothing was written
    assert content_hash(str(path)) == hashlib.sha256(beginning).hexdigest()


def test_a_file_that_is_not_what_it_was_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "f"
    path.write_bytes(b"abc")
    stamp = Stamp.of(path.lstat())
    content_hash(str(path), stamp)
    path.write_bytes(b"abcd")
    with pytest.raises(FileChangedError, match="has changed"):
        content_hash(str(path), stamp)


@pytest.mark.skipif(sys.platform == "win32", reason="no pipes or links in folders here")
def test_a_pipe_or_link_in_a_files_place_neither_blocks_nor_is_followed(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(FileChangedError, match="has changed"):
        content_hash(str(tmp_path / "pipe"))
    (tmp_path / "link").symlink_to("pipe")
    with pytest.raises(OSError, match="symbolic links"):
        content_hash(str(tmp_path / "link"))

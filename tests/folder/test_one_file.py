"""One file in a worker: whether it is whole, and that what is told of it is what it holds."""

from __future__ import annotations

import hashlib
import os
from functools import partial
from typing import TYPE_CHECKING, Any

import pytest

from lightmodel.dng import DngSpec, write_dng
from stopwise.conditions import condition
from stopwise.errors import Unreadable
from stopwise.folder import one_file
from stopwise.folder.in_progress import FilesInProgress
from stopwise.folder.one_file import (
    FileAsked,
    Lost,
    NotYet,
    WasRead,
    Wholeness,
    read_one,
    wholeness,
)
from stopwise.folder.states import Job
from stopwise.ledger import Ledger, Stamp
from stopwise.pipeline import Brief, assess_file
from stopwise.pipeline.plan_frames import PlanFrames
from stopwise.raw.libraw import decode_bytes
from stopwise.record import unreadable
from support.made_raws import levels_for, write_kind
from support.real_files import real_mosaic
from support.watching import InlinePool, StandIn, assess, read, tiny_raw

if TYPE_CHECKING:
    from pathlib import Path

PAGE = 4096
UNCOMPRESSED = DngSpec(compression="none", bits=16)
judge = partial(assess_file, frames=PlanFrames())


def asked(path: Path, **more: Any) -> FileAsked:
    return FileAsked(str(path), Stamp.of(path.stat()), **more)


def test_a_whole_file_is_read_with_the_hash_of_what_was_decoded(tmp_path: Path) -> None:
    path = tmp_path / "F1.dng"
    write_kind(path, "gbrg uncompressed")
    answer = read_one(judge, asked(path, brief=Brief()))
    assert isinstance(answer, WasRead)
    assert answer.assessment.record.verdict == "measured"
    assert answer.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert read_one(judge, asked(path, is_hash_only=True)) == WasRead(answer.sha256)


def test_a_file_that_is_not_whole_is_not_taken_before_it_has_rested(tmp_path: Path) -> None:
    path = tmp_path / "F1.dng"
    path.write_bytes(tiny_raw(1)[:-1])
    assert read_one(assess, asked(path)) == NotYet(Wholeness.SHORT)
    answer = read_one(assess, asked(path, is_rested=True))
    assert isinstance(answer, WasRead)
    assert answer.assessment.record.verdict == "unreadable"
    assert answer.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_a_file_that_may_not_be_opened_is_not_taken_and_the_reason_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def deny(_path: str, _size: int) -> Wholeness:
        raise PermissionError(13, "Permission denied")

    (tmp_path / "F1.dng").write_bytes(tiny_raw(1))
    monkeypatch.setattr(one_file, "wholeness", deny)
    answer = read_one(assess, asked(tmp_path / "F1.dng"))
    assert answer == NotYet(Wholeness.DENIED, "permission denied")


def test_a_file_that_changed_before_it_was_read_is_lost(tmp_path: Path) -> None:
    path = tmp_path / "F1.dng"
    path.write_bytes(tiny_raw(1))
    before = asked(path)
    path.write_bytes(tiny_raw(2, size=5000))
    assert read_one(assess, before) == Lost()
    path.unlink()
    assert read_one(assess, before) == Lost()


@pytest.mark.parametrize("kind", ["gbrg uncompressed", "rggb lossless"])
def test_what_was_filled_while_it_was_decoded_is_not_told_though_size_and_time_are_the_same(
    tmp_path: Path, kind: str
) -> None:
    """A copy that fills a page last, by a map of the file that sets the time of change late."""
    path = tmp_path / "F1.dng"
    write_kind(path, kind)
    whole = path.read_bytes()
    middle = len(whole) // 2
    path.write_bytes(whole[:middle] + bytes([whole[middle] ^ 1]) + whole[middle + 1 :])
    before = path.stat()

    def fill_and_decode(*arguments: Any, **more: Any) -> Any:
        path.write_bytes(whole)
        os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
        return decode_bytes(*arguments, **more)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("stopwise.raw.decoding.decode_bytes", fill_and_decode)
        answer = read_one(judge, asked(path, brief=Brief()))
    assert answer == Lost()
    assert isinstance(read_one(judge, asked(path, brief=Brief())), WasRead)


def test_a_file_that_is_taken_away_after_it_was_decoded_is_still_told(tmp_path: Path) -> None:
    path = tmp_path / "F1.dng"
    write_kind(path, "gbrg uncompressed")
    digest = hashlib.sha256(path.read_bytes()).hexdigest()

    def taken(path: Path, brief: Brief) -> Any:
        assessment = judge(path, brief)
        path.unlink()
        return assessment

    answer = read_one(taken, asked(path, brief=Brief()))
    assert isinstance(answer, WasRead)
    assert answer.sha256 == digest


def test_a_file_that_could_not_be_read_for_a_moment_is_lost_with_the_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> str:
        raise OSError(5, "Input/output error")

    path = tmp_path / "F1.dng"
    path.write_bytes(tiny_raw(1))
    monkeypatch.setattr(one_file, "content_hash", fail)
    assert read_one(assess, asked(path)) == Lost("input/output error")

    def denied(path: Path, _: object) -> StandIn:
        error = Unreadable(path, condition("no_access"), "input/output error")
        return StandIn(unreadable(str(path), error))

    assert read_one(denied, asked(path)) == Lost("input/output error")


def test_a_hole_of_4_kb_in_a_file_of_full_length_is_seen_in_the_file_systems_map(
    tmp_path: Path,
) -> None:
    """4096 bytes are a page on most file systems; both gaps and a whole file's are tried."""
    path = tmp_path / "F1.dng"
    write_dng(path, levels_for("gbrg uncompressed", (300, 400)), spec=UNCOMPRESSED)
    whole = path.read_bytes()
    assert wholeness(str(path), len(whole)) is Wholeness.WHOLE
    for page in (1, 20, len(whole) // PAGE - 1):
        path.unlink()
        with path.open("wb") as stream:
            stream.write(whole[: page * PAGE])
            stream.seek((page + 1) * PAGE)
            stream.write(whole[(page + 1) * PAGE :])
        if not keeps_a_map(path, len(whole)):
            pytest.skip("the file system keeps no map of what was written")
        assert read_one(judge, asked(path, brief=Brief())) == NotYet(Wholeness.SHORT)
        with path.open("r+b") as stream:
            stream.seek(page * PAGE)
            stream.write(whole[page * PAGE : (page + 1) * PAGE])
        assert isinstance(read_one(judge, asked(path, brief=Brief())), WasRead)


def keeps_a_map(path: Path, size: int) -> bool:
    with path.open("rb") as stream:
        return hasattr(os, "SEEK_HOLE") and os.lseek(stream.fileno(), 0, os.SEEK_HOLE) < size


@pytest.mark.parametrize("kind", [RecursionError, ValueError, OverflowError, KeyError])
def test_what_goes_wrong_in_a_look_ends_a_worker_s_answer_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: type[Exception]
) -> None:
    def fail(_path: Path) -> int:
        raise kind("made to fail")

    monkeypatch.setattr("stopwise.raw.whole.declared_end", fail)
    path = tmp_path / "F1.dng"
    path.write_bytes(tiny_raw(1))
    with Ledger(":memory:") as ledger:
        files = FilesInProgress(str(tmp_path), ledger, InlinePool(read), brief=lambda _: None)
        files.begin(Job("F1.dng", Stamp.of(path.stat()), 1, is_fresh=True, is_known=False))
        for _ in range(2):  # the assessment, then the hash
            files.hear()
        (file,) = files.ready(0)
    assert file.is_unreadable
    assert file.record is not None
    assert file.record.reason is not None
    assert file.record.reason.condition == "decoder_failed"
    assert isinstance(file.answer, WasRead)
    assert file.answer.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


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
    assert wholeness(str(path), len(content)) is Wholeness.SHORT


def test_a_frame_whose_blown_part_is_coded_in_zeros_is_taken_at_once(tmp_path: Path) -> None:
    """The shortest code of T.81 (annex C) is all zeros, and stands for what comes most often."""
    path = tmp_path / "F1.dng"
    levels = levels_for("rggb lossless", (600, 800))
    levels[:420] = 16383
    write_dng(path, levels, spec=DngSpec())
    whole = path.read_bytes()
    zeros = bytes(15_000)
    assert zeros in whole
    assert wholeness(str(path), len(whole)) is Wholeness.WHOLE
    answer = read_one(judge, asked(path, brief=Brief()))
    assert isinstance(answer, WasRead)
    assert answer.assessment.record.verdict == "measured"
    for start in range(40_000, len(whole) - len(zeros), 31_000):
        path.write_bytes(whole[:start] + zeros + whole[start + len(zeros) :])
        answer = read_one(judge, asked(path, brief=Brief()))  # the watch holds it until it rests
        assert isinstance(answer, WasRead)
        assert answer.assessment.record.verdict == "unreadable", start


def test_zeros_outside_the_code_are_waited_for_though_the_picture_is_all_there(
    tmp_path: Path,
) -> None:
    path = tmp_path / "F1.dng"
    write_dng(path, levels_for("rggb lossless", (600, 800)), spec=DngSpec())
    with path.open("ab") as stream:
        stream.write(bytes(50_000) + b"end of what belongs to it besides")
    assert wholeness(str(path), path.stat().st_size) is Wholeness.SHORT


def test_a_real_raw_file_has_no_gap_and_is_whole(tmp_path: Path) -> None:
    real = real_mosaic()
    assert wholeness(str(real), real.stat().st_size) is Wholeness.WHOLE
    cut = tmp_path / "cut.arw"
    cut.write_bytes(real.read_bytes()[:-1000])
    assert wholeness(str(cut), cut.stat().st_size) is Wholeness.SHORT

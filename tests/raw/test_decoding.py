"""A frame is told of only when proven, damage only when seen twice, and threads share nothing."""

from __future__ import annotations

import sys
from concurrent.futures import ThreadPoolExecutor
from random import Random
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from bench.bench_threads import decode_by_threads, write_files
from lightmodel.dng import DngSpec, write_dng
from stopwise import pipeline
from stopwise.conditions import condition
from stopwise.errors import Unreadable
from stopwise.pipeline import Brief, assess_file
from stopwise.pipeline.plan_frames import PlanFrames
from stopwise.raw import decode, decode_unproven, decoding
from stopwise.raw.bounds import FileBytes
from stopwise.raw.decoding import Unproven
from support.light_frames import frame_of
from support.made_raws import write_kind

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def damaged(tmp_path: Path) -> Path:
    """Return a lossless file with damage that decodes, to other photosites."""
    path = tmp_path / "F1.dng"
    light = np.random.default_rng(5).normal(900.0, 60.0, (64, 96))
    write_dng(path, light.clip(0, 4000).astype(np.uint16), spec=DngSpec())
    whole, dice = path.read_bytes(), Random(4)
    for _ in range(200):
        spoiled = bytearray(whole)
        spoiled[dice.randrange(len(whole) * 3 // 4, len(whole) - 40)] ^= 1 << dice.randrange(8)
        path.write_bytes(spoiled)
        try:
            decode(path)
        except Unreadable as error:
            if "code" in str(error):
                return path
    pytest.fail("no damage that decodes was made")


def test_a_damaged_frame_is_given_to_measure_and_never_proven(damaged: Path) -> None:
    unproven = decode_unproven(damaged)
    assert unproven.frame.mosaic.shape == (64, 96)
    with pytest.raises(Unreadable, match="its code does"):
        unproven.proven()
    assert assess_file(damaged, Brief(), PlanFrames()).record.verdict == "unreadable"


def test_damage_is_told_before_whatever_it_made_of_the_measuring(
    damaged: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object, **__: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(pipeline, "read", fails)
    reason = assess_file(damaged, Brief(), PlanFrames()).record.reason

    assert reason is not None
    assert "its code does" in reason.detail


def test_what_goes_wrong_in_a_look_is_raised_where_it_is_asked_for() -> None:
    def fails() -> str:
        raise MemoryError

    unproven = Unproven(frame_of(np.zeros((2, 2), np.uint16)), b"", fails)

    with pytest.raises(MemoryError):
        unproven.proven()


def test_damage_that_a_second_look_does_not_find_is_not_told() -> None:
    said = iter(["it is damaged", None])
    frame = frame_of(np.zeros((2, 2), np.uint16))

    assert Unproven(frame, b"", lambda: next(said)).proven() is frame


@pytest.mark.parametrize("kind", ["rggb lossless", "gbrg uncompressed"])
def test_a_file_that_holds_other_bytes_by_now_gives_no_frame(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    """Whether the decoder gave a picture of what was there before, or called it damaged."""
    path = tmp_path / "a.dng"
    write_kind(path, kind)
    whole = path.read_bytes()
    broken, decoder = whole[: len(whole) // 2] + bytes(len(whole) // 2), decoding.decode_bytes

    def fills(*parts: Any, **options: Any) -> Any:
        path.write_bytes(whole)
        return decoder(*parts, **options)

    monkeypatch.setattr(decoding, "decode_bytes", fills)
    for before in (broken, whole[:-1] + bytes([whole[-1] ^ 255])):
        path.write_bytes(before)
        with pytest.raises(Unreadable) as caught:
            decode(path)
        assert caught.value.condition.name in {"changed", "cut_short"}, before[-9:]
    path.write_bytes(whole)
    assert decode(path).mosaic.any()


@pytest.mark.parametrize("times", [1, 2])
def test_what_the_decoder_calls_damaged_once_it_is_given_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, times: int
) -> None:
    path = tmp_path / "a.dng"
    write_kind(path, "rggb lossless")
    whole, left = decoding.decode_bytes, [times]

    def fails(*parts: Any, **options: Any) -> Any:
        left[0] -= 1
        if left[0] >= 0:
            raise Unreadable(path, condition("damaged"), "so it says")
        return whole(*parts, **options)

    monkeypatch.setattr(decoding, "decode_bytes", fails)

    if times == 1:
        assert decode(path).mosaic.shape == (150, 214)
    else:
        with pytest.raises(Unreadable, match="so it says"):
            decode(path)


# --- threads --------------------------------------------------------------------------------------

DECODES = 110

READS = 100_000
"""Of each of four threads. Where one stream was sought and read by all, 14 to 25 of them gave the
bytes of another place (six runs), which called 3 in 1 600 whole frames damaged."""


@pytest.fixture
def switching() -> Iterator[None]:
    """Have threads take turns as often as they can."""
    before = sys.getswitchinterval()
    sys.setswitchinterval(1e-6)
    yield
    sys.setswitchinterval(before)


@pytest.mark.usefixtures("switching")
def test_bytes_are_those_of_the_place_whichever_thread_asks() -> None:
    data = bytes(range(256)) * 16
    file = FileBytes.of(data)
    places = [place % (len(data) - 4) for place in range(READS)]

    def wrong(_: int) -> int:
        return sum(file.at(place, 4) != data[place : place + 4] for place in places)

    with ThreadPoolExecutor(4) as threads:
        assert sum(threads.map(wrong, range(4))) == 0


def test_four_threads_read_each_its_own(tmp_path: Path) -> None:
    """A short form of `python tests/bench/bench_threads.py`."""
    assert decode_by_threads(write_files(tmp_path), decodes=DECODES) == ([], [])

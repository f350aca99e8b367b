"""A frame is measured while its picture is held against its code, and told of only when proven."""

from __future__ import annotations

from random import Random
from typing import TYPE_CHECKING

import numpy as np
import pytest

from lightmodel.dng import DngSpec, write_dng
from stopwise import pipeline
from stopwise.errors import Unreadable
from stopwise.pipeline import Brief, assess
from stopwise.raw import decode, decode_unproven
from stopwise.raw.decoding import Unproven
from support.light_frames import frame_of

if TYPE_CHECKING:
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
    assert assess(damaged, Brief()).record.verdict == "unreadable"


def test_damage_is_told_before_whatever_it_made_of_the_measuring(
    damaged: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object, **__: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(pipeline, "read", fails)
    reason = assess(damaged, Brief()).record.reason

    assert reason is not None
    assert "its code does" in reason.detail


def test_what_goes_wrong_in_a_look_is_raised_where_it_is_asked_for() -> None:
    def fails() -> str:
        raise MemoryError

    unproven = Unproven(frame_of(np.zeros((2, 2), np.uint16)), fails)

    with pytest.raises(MemoryError):
        unproven.proven()


def test_damage_that_a_second_look_does_not_find_is_not_told() -> None:
    said = iter(["it is damaged", None])
    frame = frame_of(np.zeros((2, 2), np.uint16))

    assert Unproven(frame, lambda: next(said)).proven() is frame

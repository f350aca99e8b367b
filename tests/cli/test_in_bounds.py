"""Commands that read a frame in their own process hold it to its time and memory."""

from __future__ import annotations

import json
import pickle
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any
from unittest.mock import patch

import pytest

from stopwise.cli import run
from stopwise.cli.named_sides import Basis
from stopwise.cli.rebuild_command import _light
from stopwise.errors import StopwiseError, Unreadable
from stopwise.pipeline.plan_frames import PlanFrames
from stopwise.plan import load_plan
from stopwise.plan.now import plan_now
from stopwise.raw import bounds, decoding
from support.made_raws import plan_of_two_solos, write_kind

if TYPE_CHECKING:
    from collections.abc import Iterator

PLAN = plan_of_two_solos(key="bad.dng", fill="good.dng")
TOLD = {"hangs": "it took too long", "greedy": "memory", "cut": "cut short"}


@pytest.fixture(params=["hangs", "greedy", "cut"])
def bad(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[str]:
    """Yield how the decoder fails on `bad.dng`, beside which a good frame and a plan lie."""
    if request.param == "greedy" and sys.platform != "linux":
        pytest.skip("only Linux holds a process to its memory")
    monkeypatch.chdir(tmp_path)
    write_kind(Path("good.dng"), "gbrg uncompressed")
    write_kind(Path("bad.dng"), "gbrg uncompressed", seed=2)
    whole = Path("bad.dng").read_bytes()
    if request.param == "cut":
        Path("bad.dng").write_bytes(whole[: len(whole) // 2])
    else:
        Path("bad.dng").write_bytes(whole + bytes(range(200)))
    Path("plan.toml").write_text(PLAN, encoding="utf-8")
    size, released, decode = Path("bad.dng").stat().st_size, threading.Event(), decoding._decode

    def fails(data: bytes, *rest: Any) -> Any:
        if len(data) == size and request.param == "hangs":
            released.wait(600)
        elif len(data) == size:
            bytearray(2 * bounds.MOST_MEMORY)
        return decode(data, *rest)

    class ShortForOne(bounds.Limits):
        def time_s(self, asked: int) -> float:
            return 0.1 if asked == size and request.param == "hangs" else 600.0

    monkeypatch.setattr(decoding, "_decode", fails)
    monkeypatch.setattr(bounds, "Limits", ShortForOne)
    monkeypatch.setattr(bounds, "MOST_BUSY_TIMES", 1.0)
    yield request.param
    released.set()


@pytest.mark.parametrize(
    "arguments",
    [
        ["compare", "good.dng", "bad.dng"],
        ["adopt", "bad.dng", "--plan", "plan.toml"],
        ["adopt", "bad.dng", "--plan", "plan.toml", "--anyway"],
        ["mark", "bad.dng", "fill", "--plan", "plan.toml"],
        ["grey", "bad.dng", "--plan", "plan.toml", "--box", "0.4,0.4,0.6,0.6"],
        ["dial", "--plan", "plan.toml"],
    ],
    ids=" ".join,
)
def test_a_frame_that_takes_too_much_is_told_and_nothing_is_written(
    bad: str, arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(arguments) == 3
    said = capsys.readouterr().err
    assert "bad.dng" in said
    assert TOLD[bad] in said
    assert Path("plan.toml").read_text(encoding="utf-8") == PLAN


def test_todays_solo_that_takes_too_much_is_told_by_rebuild(bad: str) -> None:
    with pytest.raises(Unreadable, match=TOLD[bad]):
        _light(Path("bad.dng"), Basis())


def test_a_frame_of_the_plan_that_takes_too_much_costs_check_itself_once(
    bad: str, capsys: pytest.CaptureFixture[str]
) -> None:
    write_kind(Path("other.dng"), "gbrg uncompressed", seed=3)
    assert run(["check", "other.dng", "other.dng", "--plan", "plan.toml", "--json"]) == 0
    shown = capsys.readouterr()
    for record in map(json.loads, shown.out.splitlines()):
        assert record["verdict"] == "on plan"
        assert record["lamps"]["key"]["state"] == "not seen"
        assert record["lamps"]["fill"]["stops"] is not None
    assert "bad.dng (solo of key)" in shown.err
    assert TOLD[bad] in shown.err


def test_a_frame_of_the_plan_that_takes_too_much_is_not_read_again_in_a_worker(bad: str) -> None:
    frames, plan = PlanFrames(), plan_now(load_plan("plan.toml"))
    with pytest.raises(StopwiseError, match=TOLD[bad]):
        frames.light(Path("bad.dng"), plan)
    there = pickle.loads(pickle.dumps(frames))  # noqa: S301 - our own bytes
    with (
        patch.object(decoding, "_decode", side_effect=AssertionError("it was read again")),
        pytest.raises(StopwiseError, match=TOLD[bad]),
    ):
        there.light(Path("bad.dng"), plan)

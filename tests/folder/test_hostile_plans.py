"""Hostile plans in the place of a watched one: the last good plan holds, and Ctrl-C ends it."""

from __future__ import annotations

import os
import signal
import time
from typing import TYPE_CHECKING

import pytest

from support.commanding import WatchCommand

if TYPE_CHECKING:
    from pathlib import Path

GOOD = 'title = "one"\n[[light]]\nname = "key"\n'
HOSTILE = {
    "200 000 dotted parts": ".".join(["a"] * 200_000) + " = 1",
    "60 000 dotted parts": ".".join(["a"] * 60_000) + " = 1",
    "40 000 boxes": f"[backdrop]\nboxes = [{', '.join(['[0,0,1,1]'] * 40_000)}]",
    "12 000 boxes": f"[backdrop]\nboxes = [{','.join(['[0,0,1,1]'] * 12_000)}]",
    "3 000 patches": "".join(
        f'[[patch]]\nname = "p{number}"\nbox = [0, 0, 1, 1]\n' for number in range(3000)
    ),
    "emptied": "",
    "cut in a line": GOOD[:-6],
    "a pipe": None,
}
ENDS_S = 5.0
"""Seconds in which Ctrl-C ends it on a machine with other work; docs/reliability.md has what was
measured on an idle one."""


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_a_hostile_plan_leaves_the_last_good_one_and_the_way_out(
    text: str | None, tmp_path: Path
) -> None:
    if text is None and not hasattr(os, "mkfifo"):
        pytest.skip("the system has no named pipes")
    folder, plan = tmp_path / "shoot", tmp_path / "plan.toml"
    folder.mkdir()
    plan.write_text(GOOD, encoding="utf-8")
    with WatchCommand(folder, ":memory:", options=("--plan", str(plan))) as watch:
        watch.wait_for("watching ")
        other = tmp_path / "other"
        if text is None:
            os.mkfifo(other)
        else:
            other.write_text(text, encoding="utf-8")
        other.replace(plan)
        watch.wait_for("the plan can't be taken, the one before holds")
        began = time.monotonic()
        watch.process.send_signal(signal.SIGINT)
        assert watch.ended() == 0
    assert time.monotonic() - began < ENDS_S
    assert "Traceback" not in watch.said

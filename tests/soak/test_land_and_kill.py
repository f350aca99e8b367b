"""A short run of the soak; the long one is `python tests/soak/land_and_kill.py --frames 100000`."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import pytest

from soak.killed_stopwise import STATES
from soak.land_and_kill import BROKEN
from soak.landing import Pictures, counted, one_round

if TYPE_CHECKING:
    from pathlib import Path


def test_no_two_frames_that_land_have_one_content(tmp_path: Path) -> None:
    """A content counts once: a round would wait for ever for the second one's record."""
    pictures = Pictures(tmp_path)
    contents = {pictures.frame(number, turn) for turn in (1, 2) for number in range(3000)}
    assert len(contents) == 6000


@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.skipif(sys.platform == "win32", reason="signals are POSIX's here")
def test_every_frame_is_kept_once_in_landing_order_though_the_watch_is_killed_in_every_state(
    tmp_path: Path,
) -> None:
    pictures = Pictures(tmp_path)
    rounds = []
    for turn, states in enumerate(([], list(STATES))):
        base = tmp_path / f"round {turn}"
        base.mkdir()
        rounds.append(one_round(base, pictures, count=150, states=states, turn=turn, seed=8))
    undisturbed, killed = rounds
    assert set(undisturbed.verdicts.values()) == {"on plan", "off plan", "unreadable"}
    assert killed.killed_in == list(STATES)
    for one in rounds:
        figures = counted(one, undisturbed.verdicts)
        assert {name: figures[name] for name in BROKEN} == dict.fromkeys(BROKEN, 0)
        assert figures["landed"] == figures["kept"] == 150

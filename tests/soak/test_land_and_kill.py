"""A short run of the soak; the long one is `python tests/soak/land_and_kill.py --frames 5000`."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import pytest

from soak.landing import run_with_kills

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="signals are POSIX's here")
def test_every_frame_is_kept_once_in_landing_order_though_the_watch_is_killed(
    tmp_path: Path,
) -> None:
    outcome = run_with_kills(tmp_path, count=120, kills=4)
    assert outcome.lost == []
    assert outcome.doubled == []
    assert outcome.is_in_landing_order
    assert {verdict for _, _, verdict in outcome.kept} == {"measured"}
    assert outcome.is_sound
    assert outcome.is_untouched
    assert outcome.worked >= 1, outcome.lives

"""The room's figures on a few made shoots; `tests/bench/figures_lamps.py` runs two hundred."""

from __future__ import annotations

import pytest

from lightmodel.scene import Scene
from lightmodel.shoots import made_shoot
from stopwise.lamps.outputs import read_lamps
from stopwise.plan import load_plan
from support import lamp_figures
from support.lamp_figures import SAMPLE_PLAN, dialled_shoot, read_shoot
from support.spot_figures import read_spots


@pytest.mark.slow
def test_dialled_powers_lie_within_a_step_of_the_best():
    done = dialled_shoot(1001)
    assert done.is_within_a_step
    assert max(abs(off) for off in done.off.values()) <= 0.1


@pytest.mark.slow
def test_lamps_are_read_and_called_as_they_were():
    for read in read_shoot(1003):
        assert read.false_calls == ()
        limit = 0.1 if read.kind.startswith("still") else 0.4
        offs = [read.off(name) for name in read.readings if name != read.out]
        assert all(off is None or abs(off) <= limit for off in offs)
        if read.out is not None and read.kind in ("still", "turned"):
            assert read.readings[read.out].state == "out"


@pytest.mark.slow
def test_a_moved_spot_is_told_from_a_turned_head_a_moved_sitter_and_a_turned_lamp():
    for read in read_spots(1006):
        assert read.lamp.state not in ("out", "weak", "strong")
        if read.kind in ("still", "output"):
            assert read.spot.state == "steady"
            assert read.spot.output_stops == pytest.approx(read.stops, abs=0.05)
        elif read.kind in ("spot", "drop"):
            assert read.spot.state in ("spot moved", "not seen")
        elif read.kind == "turned" or read.lost > -0.1:
            assert read.spot.state in ("steady", "not seen")
        else:
            assert read.spot.state != "spot moved"


@pytest.mark.parametrize("right", [0.25, -0.25, None])
def test_a_sitter_who_left_the_light_makes_no_lamp_out(right):
    shoot, plan = made_shoot(1005), load_plan(SAMPLE_PLAN)
    lamps = lamp_figures.lamps_of(shoot, dict.fromkeys(shoot.names, 0.0), plan)
    scene = Scene(pose=None) if right is None else shoot.moved(right)
    readings = read_lamps(lamp_figures.seen(shoot.frame(scene=scene), plan), lamps, said={})
    assert {reading.state for reading in readings.values()} <= {"fired", "not seen"}

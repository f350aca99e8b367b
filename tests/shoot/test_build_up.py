"""Solos out of the build-up: lamps come on one by one, a frame each, and a lamp is moved later."""

from __future__ import annotations

import pytest

from lightmodel.shoots import SMALL, Shoot
from stopwise.plan import load_plan
from stopwise.plan.kinds import TwoFrames
from support.set_day import on_set, plan_without_frames

FLASH = {"key": -0.01, "fill": -0.01, "hair": 0.01, "paper left": -0.02, "paper right": 0.02}


def on(*lamps):
    """Return the stops of the lamps that are lit, the flash varying."""
    return {name: FLASH[name] * (-1) ** len(lamps) for name in lamps}


def test_a_frame_each_as_lamps_come_on_gives_every_solo_and_a_moved_lamp_its_own_anew(tmp_path):
    shoot = Shoot(view=SMALL, seed=300)
    with on_set(tmp_path, plan_without_frames()) as day:
        day.say("expect", "ambient")
        day.shot(shoot.ambient())
        names = list(shoot.names)
        for count in range(1, len(names) + 1):
            lit = names[:count]
            assert day.say("lit", "all" if count == len(names) else ", ".join(lit)) == 0
            day.shot(shoot.frame(on(*lit)))
        solos = load_plan(day.plan).frames.solo
        files = [f"shoot/{record['file']}" for record in day.records[1:]]
        assert solos == {
            "key": files[0],
            **{name: TwoFrames(files[at], files[at - 1]) for at, name in enumerate(names) if at},
        }
        assert day.said(
            "F0303.dng less F0302.dng is the fill solo. Its light is sure to 0.02 stop."
        )

        asked = {"key": 0.5, "fill": -0.4, "hair": 0.3, "paper left": -0.2, "paper right": 0.6}
        lamps = day.shot(shoot.frame(asked))["lamps"]
        assert {name: one["stops"] for name, one in lamps.items()} == pytest.approx(asked, abs=0.1)

        assert day.say("moved", "key") == 0  # at the power that this frame showed
        plan = load_plan(day.plan)
        assert "key" not in plan.frames.solo
        assert plan.light("key").power == pytest.approx(-1.5)
        assert day.say("lit", "key") == 0
        renewed = day.shot(shoot.frame({"key": 0.5}))["file"]
        assert load_plan(day.plan).frames.solo["key"] == f"shoot/{renewed}"
        assert day.say("lit", "all") == 0
        lamps = day.shot(shoot.frame(asked))["lamps"]
        assert lamps["key"]["stops"] == pytest.approx(0.0, abs=0.1)
        assert lamps["key"]["setting"] == pytest.approx(-1.5)
        assert lamps["fill"]["stops"] == pytest.approx(-0.4, abs=0.1)


@pytest.mark.parametrize(
    ("turned", "words"),
    [
        (-1.0, "With hair on, key gives less than in the frame before."),
        (0.6, "With hair on, key gives 0.6 stop more than in the frame before."),
    ],
)
def test_a_lamp_turned_in_silence_as_another_comes_on_is_told_in_that_frame(
    turned, words, tmp_path
):
    shoot = Shoot(view=SMALL, seed=310)
    with on_set(tmp_path, plan_without_frames()) as day:
        day.say("lit", "key")
        day.shot(shoot.frame({"key": 0.0}))
        day.say("lit", "key, hair")
        day.shot(shoot.frame({"key": turned, "hair": 0.0}))
        refused = [note for note in day.notes if "isn't the hair solo" in note]
        assert len(refused) == 1
        assert refused[0].startswith(f"F0312.dng less F0311.dng isn't the hair solo. {words}")
        day.shot(shoot.frame({"key": turned, "hair": 0.0}))
        assert set(load_plan(day.plan).frames.solo) == {"key"}
        assert len([note for note in day.notes if "isn't the hair solo" in note]) == 1


def test_a_frame_at_other_settings_said_since_is_nothing_to_take_a_lamp_over(tmp_path):
    shoot = Shoot(view=SMALL, seed=320)
    with on_set(tmp_path, plan_without_frames()) as day:
        day.say("lit", "key")
        day.shot(shoot.frame({"key": 0.0}))
        day.say("take", "key -0.5")
        day.say("lit", "key, hair")
        day.shot(shoot.frame({"key": -0.5, "hair": 0.0}))
        assert set(load_plan(day.plan).frames.solo) == {"key"}

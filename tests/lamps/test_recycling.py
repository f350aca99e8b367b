"""Recycling: weak after a short wait, and the wait from which a lamp is ready."""

from __future__ import annotations

import pytest

from stopwise.lamps.outputs import LampReading
from stopwise.lamps.recycling import Shot, recycling, weak_after_short_wait


def fired(stops):
    return LampReading(stops, 0.03, "fired")


def shots(*pairs):
    return [Shot(since, {"key": fired(stops)}) for since, stops in pairs]


def test_weak_frames_stand_beside_their_waits_and_the_ready_time_follows():
    take = shots(
        (None, 0.0), (4.0, 0.01), (0.6, -0.7), (5.0, -0.01), (0.9, -0.32), (1.6, 0.0), (6.0, 0.0)
    )
    found = recycling(take, "key")
    assert found.ready_s == 1.6
    assert [index for index, _, _ in found.weak] == [2, 4]
    assert found.weak[0][1:] == pytest.approx((0.6, -0.7), abs=0.02)


def test_a_take_without_weak_frames_is_ready_after_its_shortest_wait():
    found = recycling(shots((None, 0), (2.0, 0.0), (1.2, 0.02), (3.0, 0.0)), "key")
    assert (found.ready_s, found.weak) == (1.2, ())


def test_frames_in_which_the_lamp_was_out_or_unseen_say_nothing():
    take = [*shots((4.0, 0.0), (5.0, 0.0), (6.0, 0.0))]
    take.append(Shot(0.5, {"key": LampReading(None, None, "out")}))
    take.append(Shot(0.5, {"key": LampReading(-2.0, 0.8, "not seen")}))
    assert recycling(take, "key").weak == ()
    assert recycling(take[:2], "key").ready_s is None


@pytest.mark.parametrize(
    ("stops", "since", "weak"), [(-0.7, 0.6, True), (-0.7, 4.0, False), (-0.05, 0.6, False)]
)
def test_a_weak_lamp_after_a_short_wait_had_not_recycled(stops, since, weak):
    known = recycling(shots((None, 0), (4.0, 0.0), (0.8, -0.5), (5.0, 0.0), (2.0, 0.0)), "key")
    assert weak_after_short_wait(fired(stops), since, known, expected_stops=0.0) is weak


def test_no_wait_known_blames_no_recycling():
    known = recycling(shots((4.0, 0.0), (5.0, 0.0), (6.0, 0.0)), "key")
    assert not weak_after_short_wait(fired(-0.7), None, known, expected_stops=0.0)

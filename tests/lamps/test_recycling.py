"""Recycling: weak after a short wait, and still at the old power after a turn down."""

from __future__ import annotations

import pytest

from stopwise.lamps.outputs import LampReading
from stopwise.lamps.recycling import (
    Shot,
    not_dumped,
    not_dumped_sentence,
    recycling,
    recycling_sentence,
    stops_of_energy_share,
    weak_after_short_wait,
)


def fired(stops):
    return LampReading(stops, 0.03, "fired")


@pytest.mark.parametrize(
    ("share", "stops"), [(0.9, -0.152003), (0.8, -0.321928), (0.7, -0.514573), (0.5, -1.0)]
)
def test_a_share_of_energy_is_log2_of_it(share, stops):
    assert stops_of_energy_share(share) == pytest.approx(stops, abs=1e-6)


def test_no_energy_at_all_has_no_stops():
    with pytest.raises(ValueError, match="above 0, got 0"):
        stops_of_energy_share(0)


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


@pytest.mark.parametrize(
    ("reads", "before", "turned", "answer"),
    [
        (-0.02, 0.0, -0.7, True),  # still at the old power
        (-0.70, 0.0, -0.7, False),  # turned
        (-0.35, 0.0, -0.7, False),  # half way: something else
        (0.0, 0.0, 0.7, False),  # turned up needs no dump
        (0.0, 0.0, -0.2, False),  # too small a turn to tell
    ],
)
def test_the_first_frame_after_a_turn_down_may_be_at_the_old_power(reads, before, turned, answer):
    assert not_dumped(fired(reads), before_stops=before, turned_stops=turned) is answer


def test_what_is_called_fits_the_call_line():
    for sentences in (recycling_sentence("key", -0.7, 0.6), not_dumped_sentence("key")):
        assert all(len(sentence) <= 46 for sentence in sentences)
    assert recycling_sentence("key", -0.7, 0.6)[0] == "Key 0.7 weak, 0.6 s after the last."
    assert not_dumped_sentence("key")[0] == "Key still at the old power: not dumped."

"""The run of a take: robust figures held against scipy, and events where they were put."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from stopwise.comparison.events import events_of
from stopwise.comparison.run import run_of, typical
from stopwise.findings import Finding
from stopwise.lamps.outputs import SpotReading
from stopwise.messages import say
from stopwise.record import record_from_json
from support.records import kept, patch, unreadable

BOX = (0.4, 0.4, 0.5, 0.5)


def frames(cheek, key=None, **more):
    """Return one record a value, of one patch that follows and, if told, one lamp."""
    key = [None] * len(cheek) if key is None else key
    return [
        kept(
            file=f"T{at:04d}.dng",
            patches={"lit cheek": patch(zone, BOX, score=0.9)},
            lamps=None
            if stops is None
            else {"key": {"stops": stops, "uncertainty": 0.02, "state": "fired"}},
            **more,
        )
        for at, (zone, stops) in enumerate(zip(cheek, key, strict=True))
    ]


def noisy(size, seed=1, spread=0.01):
    return 6.5 + np.random.default_rng(seed).normal(0.0, spread, size)


def test_median_spread_and_drift_are_scipys():
    values = noisy(15) + 0.004 * np.arange(15)
    series = run_of(frames(list(values))).patches["lit cheek"]
    assert series.median == pytest.approx(np.median(values))
    wanted = stats.median_abs_deviation(values, scale="normal")
    assert series.spread == pytest.approx(wanted)
    assert series.drift == pytest.approx(14 * stats.theilslopes(values).slope)


@pytest.mark.parametrize("at", [2, 5, 9, 12])
@pytest.mark.parametrize("stops", [-0.3, 0.2])
def test_a_step_is_flagged_on_the_frame_that_began_it_wherever_the_median_lies(at, stops):
    values = noisy(15)
    values[at:] += stops
    [event] = events_of(list(values), [0.02] * 15, 0.1)
    assert (event.kind, event.at) == ("step", at)
    assert event.stops == pytest.approx(stops, abs=0.03)


@pytest.mark.parametrize("at", [0, 1, 7, 14])
def test_one_frame_that_falls_out_is_flagged_alone(at):
    values = noisy(15)
    values[at] -= 0.4
    [event] = events_of(list(values), [0.02] * 15, 0.1)
    assert (event.kind, event.at) == ("out", at)
    assert event.stops == pytest.approx(-0.4, abs=0.03)


def test_a_slow_drift_is_flagged_where_it_passes_the_limit():
    values = noisy(30, spread=0.005) + 0.02 * np.arange(30)
    [event] = events_of(list(values), [0.02] * 30, 0.1)
    assert event.kind == "drift"
    assert event.stops == pytest.approx(0.58, abs=0.05)
    assert 5 <= event.at <= 10


@pytest.mark.parametrize("seed", range(40))
def test_a_steady_run_says_nothing(seed):
    """Shot-to-shot scatter of flash is commonly within 0.05 stop (common practice, from memory)."""
    values = noisy(24, seed=seed, spread=0.02)
    assert events_of(list(values), [0.02] * 24, 0.1) == ()


def test_what_a_lamp_did_is_said_once_at_the_lamp():
    key = [0.0, 0.01, 0.0, -0.01, -0.3, -0.31, -0.3, -0.29]
    cheek = [6.5 + stops for stops in key]
    [flag] = run_of(frames(cheek, key)).flags
    assert (flag.finding.of, flag.finding.cause, flag.event.at) == ("key", "lamp", 4)
    assert say(flag.finding) == "Key 0.3 down from here on."


def test_a_cheek_that_changed_under_steady_lamps_is_the_sitter():
    cheek = [6.5, 6.5, 6.51, 6.86, 6.5, 6.49, 6.5]
    [flag] = run_of(frames(cheek, [0.0] * 7)).flags
    assert (flag.finding.of, flag.finding.cause, flag.event.at) == ("lit cheek", "sitter", 3)


def test_misfires_and_unreadable_frames_never_count():
    dead = Finding("lamp", "hair", "out", "fails")
    old = Finding("lamp", "key", "old_power", "fails", -0.02, -0.7)
    shots = frames([6.5] * 4)
    shots[1] = replace(shots[1], findings=(dead,), verdict="off plan")
    shots[2] = replace(shots[2], findings=(old,), in_run=False)
    run = run_of([*shots, record_from_json(unreadable())])
    assert run.files == ("T0000.dng", "T0003.dng")
    assert [why for _, why in run.left_out] == [say(dead), say(old), "unreadable"]


def test_a_knocked_aperture_is_taken_out_of_the_run():
    """ISO 517: f/8 records one stop more than f/11."""
    shots = frames([6.5, 6.5, 7.5, 6.5])
    shots[2] = replace(shots[2], exposure=replace(shots[2].exposure, f_number=8.0))
    series = run_of(shots).patches["lit cheek"]
    assert series.values == pytest.approx([6.5] * 4)


def test_the_typical_frame_lies_nearest_to_the_medians():
    assert typical(frames([6.2, 6.5, 6.9, 6.52, 6.4])).file == "T0001.dng"
    assert typical([record_from_json(unreadable())]) is None


def test_every_figure_of_the_json_is_finite_or_absent():
    answer = run_of(frames([6.5, None, 6.5, 6.9])).to_json()
    assert answer["patches"]["lit cheek"]["frames"] == 3
    assert answer["flags"] == []
    assert run_of([]) is None


def test_a_sitter_who_goes_farther_than_a_spot_reaches_is_told_once_at_his_farthest_frame():
    run = run_of(
        [
            replace(record, lamps={"key": replace(key, spot=SpotReading("not seen", **where))})
            for record, away in zip(
                frames(noisy(5), [0.0] * 5), (0.0, 0.03, 0.07, 0.05, -0.05), strict=True
            )
            for key in record.lamps.values()
            for where in [{"away": away, "room": (0.06, 0.04)}]
        ]
    )
    (flag,) = run.flags
    assert (flag.event.at, flag.finding.cause) == (2, "sitter")
    assert say(flag.finding) == "Sitter moves 7 %, the spot gives 4 %."


def test_a_patch_that_drifts_with_its_lamp_is_not_put_down_to_the_sitter():
    """The lamp passes its limit frames before the patch that it half lights: it isn't steady."""
    rise = 0.06 * np.arange(15)
    told = run_of(frames(list(noisy(15) + 0.5 * rise), list(noisy(15, seed=2) - 6.5 + rise))).flags
    assert {(one.finding.check, one.finding.of) for one in told} == {("lamp", "key")}
    alone = run_of(frames(list(noisy(15) + 0.5 * rise), list(noisy(15, seed=2) - 6.5))).flags
    assert [(one.finding.check, one.finding.cause) for one in alone][:1] == [("patch", "sitter")]

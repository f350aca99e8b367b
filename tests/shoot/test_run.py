"""The run of a take: what counts, what is called of lamps, which steps are asked about."""

from __future__ import annotations

from dataclasses import replace

import pytest

from stopwise.findings import Finding, Turn
from stopwise.frame import Exposure
from stopwise.lamps.outputs import LampReading
from stopwise.messages import do as said_do
from stopwise.messages import told
from stopwise.plan.model import Plan
from stopwise.record import Record
from stopwise.shoot.earlier_frames import Advice, since_last
from stopwise.shoot.take import Begun, Run, lit_in, lit_words, with_lamp_findings

PLAN = Plan.model_validate({"schema": 1, "light": [{"name": "key", "step": 0.1}]})


def record(key=0.0, fill=0.0, *, state="fired", findings=(), uncertainty=0.02):
    lamps = {
        "key": LampReading(key, uncertainty, state),
        "fill": LampReading(fill, 0.02, "fired" if fill is not None else "out"),
    }
    return Record(file="F.dng", verdict="on plan", lamps=lamps, findings=tuple(findings))


OUT = Finding("lamp", "hair", "out", "fails")


def test_said_turns_stand_on_what_lamps_gave_before():
    run = Run()
    for key in (0.8, 0.5, 0.3, 0.31, 0.29):
        run.see(record(key))
    assert run.gave() == pytest.approx({"key": 0.3, "fill": 0.0})
    assert Begun(2, run.gave(), {"key": -0.7}).said == pytest.approx({"key": -0.4, "fill": 0.0})
    assert Begun().said is None


def test_a_frame_without_lamps_says_nothing_and_a_misfire_does_not_count():
    run = Run(Begun(1))
    assert run.see(Record("F.dng", "on plan")).counts is None
    assert run.see(record(findings=[OUT])).counts is False
    assert run.see(record()).counts is True
    assert len(run.readings) == 1


@pytest.mark.parametrize(("turned", "code"), [(-0.7, "not_dumped"), (0.7, "old_power")])
def test_a_lamp_that_was_turned_and_gave_the_same_is_called_until_it_moves(turned, code):
    run = Run(Begun(1, {"key": 0.0}, {"key": turned}))
    for said in (code, "old_power"):  # the first frame dumps what a pack still held
        seen = run.see(record(-0.02, state="strong"))
        assert seen.counts is False
        assert [(one.of, one.code) for one in seen.findings] == [("key", said)]
    assert run.see(record(turned)).counts is True
    [off] = run.see(record(0.0, state="strong")).findings
    assert (off.code, off.difference) == (
        "strong" if turned < 0 else "weak",
        pytest.approx(-turned, abs=0.05),
    )


def test_a_turn_too_small_to_tell_is_never_called():
    run = Run(Begun(1, {"key": 0.0}, {"key": -0.1}))
    assert run.see(record(0.0)).counts is True


def test_a_weak_lamp_soon_after_the_last_frame_was_not_ready():
    run = Run(Begun(1))
    for _ in range(3):
        run.see(record(), since_s=8.0)
    seen = run.see(record(-0.7, state="weak"), since_s=0.6)
    assert seen.counts is False
    [finding] = seen.findings
    assert (finding.of, finding.code, finding.detail.since_s) == ("key", "not_ready", 0.6)
    assert finding.difference == pytest.approx(-0.7)


@pytest.mark.parametrize("since_s", [None, 20.0])
def test_a_weak_lamp_after_a_long_wait_has_another_cause(since_s):
    run = Run(Begun(1))
    for _ in range(3):
        run.see(record(), since_s=8.0)
    seen = run.see(record(-0.7, state="weak"), since_s=since_s)
    assert seen.counts is True
    [finding] = seen.findings
    assert (finding.of, finding.code) == ("key", "weak")
    assert finding.difference == pytest.approx(-0.7)


@pytest.mark.parametrize("begun", [Begun(), Begun(1), Begun(1, {"key": 0.0})])
def test_a_step_that_two_frames_show_is_asked_about_once(begun):
    run = Run(begun)
    for _ in range(3):
        assert run.see(record(0.01)).offer is None
    assert run.see(record(-0.52)).offer is None
    offer = run.see(record(-0.48), plan=PLAN).offer
    assert offer is not None
    assert (offer.lamp, offer.stops) == ("key", -0.5)
    assert run.see(record(-0.5)).offer is None


@pytest.mark.parametrize(
    "steps",
    [
        (-0.5, 0.0, 0.0),  # one frame only
        (-0.15, -0.15, -0.15),  # under 0.2
        (-0.5, 0.5, 0.0),  # up and down
        (-0.5, -0.8, -1.2),  # on the move
    ],
)
def test_what_is_no_held_step_is_not_asked_about(steps):
    run = Run(Begun(1))
    for _ in range(3):
        run.see(record())
    assert [run.see(record(step)).offer for step in steps] == [None] * 3


def test_while_a_lamp_is_still_being_turned_nothing_is_asked():
    run = Run()
    keys = (0.8, 0.4, 0.0, -0.4, -0.4, -0.4)
    assert [run.see(record(key)).offer for key in keys] == [None] * 6


def test_an_unsure_reading_is_no_step():
    run = Run(Begun(1))
    for _ in range(3):
        run.see(record())
    assert [run.see(record(-0.3, uncertainty=0.2)).offer for _ in range(2)] == [None, None]


def test_early_in_a_take_a_step_is_told_from_what_the_take_began_with():
    run = Run(Begun(1, {"key": 0.0, "fill": 0.0}))
    for key in (0.0, -0.5):
        assert run.see(record(key)).offer is None
    offer = run.see(record(-0.5)).offer
    assert offer is not None
    assert offer.stops == pytest.approx(-0.5)


def advised(stops, lamp="key"):
    asked = Finding("patch", "cheek", "over", "fails", 6.9, 6.5, explained_by=lamp)
    return replace(record(findings=[asked]), turns=(Turn(lamp, stops),))


def turns(advice, *frames):
    settled = [advice.settled(frame, in_take=True) for frame in frames]
    return [bool(found.turns) if found.findings else None for found in settled]


def test_two_of_three_frames_must_agree_on_a_turn():
    assert turns(Advice(), advised(-0.4), advised(-0.45)) == [False, True]
    assert turns(Advice(), advised(-0.4), record(), advised(-0.4)) == [False, None, True]
    assert turns(Advice(), advised(-0.4), record(), record(), advised(-0.4)) == [
        False,
        None,
        None,
        False,
    ]
    assert turns(Advice(), advised(-0.4), advised(0.4)) == [False, False]
    assert turns(Advice(), advised(-0.4), advised(-0.4, "fill")) == [False, False]
    assert turns(Advice(), advised(-0.3), advised(-1.2)) == [False, False]


def test_a_turn_asked_before_a_take_counts_in_it_where_the_take_does_not_turn_that_lamp():
    for turned, is_given in ({"fill": -0.3}, True), ({"key": -0.4}, False):
        advice = Advice()
        advice.settled(advised(-0.4), in_take=False)
        advice.begin(turned)
        assert turns(advice, advised(-0.4)) == [is_given]


def test_what_a_lamp_makes_up_for_is_not_told_once_the_turn_that_mends_waits():
    both = replace(
        advised(-0.4),
        turns=(Turn("key", -0.4, explains=("cheek",)), Turn("fill", 0.2)),
    )
    advice = Advice()
    advice.settled(replace(both, turns=(both.turns[1],)), in_take=True)
    assert advice.settled(both, in_take=True).turns == ()


def test_a_turn_that_waits_says_so_and_while_building_up_it_is_given_at_once():
    held = Advice().settled(advised(-0.4), in_take=True)
    assert (held.turns, held.findings[0].advice) == ((), "wait")
    given = Advice().settled(advised(-0.4), in_take=False)
    assert given.turns == (Turn("key", -0.4),)


def test_what_is_said_of_a_lamp_stands_first_and_no_turn_of_it_is_given():
    seen = Run(Begun(1, {"key": 0.0}, {"key": -0.7})).see(record(0.0, state="strong"))
    told = with_lamp_findings(advised(-0.7), seen.findings)
    assert told.verdict == "off plan"
    assert [one.check for one in told.findings] == ["lamp", "patch"]
    assert told.turns == ()
    assert with_lamp_findings(advised(-0.7), ()) == advised(-0.7)


@pytest.mark.parametrize(
    ("first", "second", "judged", "since"),
    [
        ("2026-03-02T10:00:00.20", "2026-03-02T10:00:00.80", 5.0, 0.6),
        ("2026-03-02T10:00:00", "2026-03-02T10:00:01", 0.7, 0.7),
        ("2026-03-02T10:00:00", "2026-03-02T10:00:40", 0.7, 40.0),
        ("2026-03-02T10:00:00", "2026-03-02T10:00:00", 9.0, None),
        (None, "2026-03-02T10:00:00", 0.7, 0.7),
        ("1970-01-01T00:00:00", "2026-03-02T10:00:00", 0.7, None),
        ("2026-03-02T10:00:40", "2026-03-02T10:00:00", 0.7, None),
    ],
)
def test_the_wait_between_frames_is_told_only_where_it_is_known(first, second, judged, since):
    frames = [
        Record("F.dng", "measured", exposure=Exposure(100.0, 11.0, 1 / 160, taken))
        for taken in (first, second)
    ]
    assert since_last((frames[0], 100.0), (frames[1], 100.0 + judged)) == (
        None if since is None else pytest.approx(since)
    )


@pytest.mark.parametrize(
    ("turned", "lines"),
    [
        (-0.7, ("Key at the old power: not dumped.", "Fire it once, shoot again.")),
        (0.7, ("Key still at the old power.", "Check its power, shoot again.")),
    ],
)
def test_the_headline_says_what_the_run_says(turned, lines):
    seen = Run(Begun(1, {"key": 0.0}, {"key": turned})).see(record(-0.02, state="strong"))
    assert seen.findings[0].planned == pytest.approx(turned)
    assert with_lamp_findings(record(-0.02), seen.findings).headline == lines


@pytest.mark.parametrize(
    ("gave", "state", "do"),
    [(0.5, "strong", "Check it is at -2.5."), (-1.5, "weak", "Check it is at -2.5, await ready.")],
)
def test_a_lamp_that_is_off_is_checked_against_where_the_take_left_its_dial(gave, state, do):
    """Turned the wrong way round, or twice: who looks at the pack knows what it should read.

    What that lamp explains says nothing besides.
    """
    plan = Plan.model_validate({"light": [{"name": "key", "power": -2.0, "step": 0.1}]})
    seen = Run(Begun(1, {"key": 0.0}, {"key": -0.5})).see(record(gave, state=state), plan=plan)
    found = with_lamp_findings(advised(-0.7), seen.findings)
    assert found.headline == (f"Key 1.0 {state}.", do)
    assert [text for _, text in told(found.answer)] == [do, ""]
    assert said_do(found.findings[1]) == "Check the key."


def test_a_run_that_drifts_does_not_move_where_a_dial_is_to_stand():
    plan = Plan.model_validate({"light": [{"name": "key", "power": -2.0, "step": 0.1}]})
    run = Run(Begun(1, {"key": 0.0}))
    for gave in (0.15, 0.2, 0.25):
        run.see(record(gave), plan=plan)
    [off] = run.see(record(0.6, state="strong"), plan=plan).findings
    assert off.planned > 0.1
    assert off.detail.shown == "-2.0"


def test_the_headline_counts_a_weak_lamp_from_its_run_and_not_from_its_solo():
    seen = Run(Begun(1, {"key": 0.5})).see(record(-0.2, state="weak"), since_s=0.6)
    told = with_lamp_findings(record(-0.2, state="weak"), seen.findings)
    assert told.headline == ("Key 0.7 weak, 0.6 s after the last.", "Wait for ready.")


def test_which_lamps_are_lit_is_told_only_where_every_lamp_is_seen():
    alone = record(fill=None)
    assert lit_in(alone) == ("key",)
    assert lit_words(alone, ("key",), None) == "Lit in F.dng: key."
    assert lit_words(record(), ("key", "fill"), ("key",)) == (
        "Lit in F.dng: all lamps; said were key."
    )
    assert lit_in(record(state="not seen")) is None
    assert lit_in(record(findings=[OUT])) is None
    assert lit_in(Record("F.dng", "on plan")) is None

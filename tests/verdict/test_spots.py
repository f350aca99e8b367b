"""What is said of spots: who did it, what to do, and what it explains."""

from __future__ import annotations

from dataclasses import replace

import pytest

from stopwise.findings import Detail, Finding
from stopwise.lamps.outputs import SpotReading
from stopwise.messages import do, headline_of, say
from stopwise.plan.model import Light, Plan
from stopwise.plan.now import plan_now
from stopwise.verdict.lamp_causes import with_spots

PLAN = Plan.model_validate(
    {
        "schema": 1,
        "light": [{"name": "key", "elevation": 60}, {"name": "paper left", "elevation": -3}],
        "patch": [
            {
                "name": name,
                "box": [0.4, 0.4, 0.5, 0.5],
                "zone": 6.0,
                "follow": True,
                "lit_by": [lamp],
            }
            for name, lamp in (("cheek", "key"), ("shoulder", "paper left"))
        ],
    }
)
MOVED = SpotReading("spot moved", 0.0, 0.03, (0.0, 0.04), 0.015)
OUT = SpotReading("sitter out of the spot", lost_stops=-1.2, way_back=(-0.08, 0.01))


def low(of, **changes):
    finding = Finding(
        "patch", of, "under", "fails", 5.0, 6.0, (-0.3, 0.2), "zone", detail=Detail(patches=(of,))
    )
    return replace(finding, **{"cause": "unknown", **changes})


def judged(spot, *findings, lamp="key"):
    return with_spots(findings, plan_now(PLAN), {lamp: spot})


@pytest.mark.parametrize(
    ("moved", "words"),
    [
        ((0.0, 0.04), "Key's spot dropped about 4 % of frame."),
        ((0.0, -0.04), "Key's spot rose about 4 % of frame."),
        ((0.03, 0.0), "Key's spot went right 3 %."),
        ((-0.12, 0.0), "Key's spot went left 12 %."),
        (None, "Key's spot moved about 3 % of frame."),
    ],
)
def test_a_spot_that_moved_is_the_lamp_and_a_danger_where_it_hangs_over_somebody(moved, words):
    (finding,) = judged(replace(MOVED, moved=moved))
    assert headline_of(finding)[0] == words
    assert do(finding) == "Step away. Check the boom, secure it."
    assert (finding.check, finding.of, finding.cause, finding.turn) == ("lamp", "key", "lamp", None)
    assert finding.measured == 0.03


def test_no_line_is_longer_than_the_headline():
    for spot in (MOVED, OUT, replace(OUT, way_back=(0.12, 0.0)), replace(MOVED, moved=None)):
        for lamp in ("key", "paper left"):
            (finding,) = judged(spot, lamp=lamp)
            assert max(len(line) for line in headline_of(finding)) <= 38


@pytest.mark.parametrize(
    ("way", "words"),
    [
        ((-0.08, 0.01), "Sitter back to camera left, 8 %."),
        ((0.12, 0.0), "Sitter back to camera right, 12 %."),
        ((0.0, -0.1), "Sitter back higher, 10 %."),
        ((0.0, 0.1), "Sitter back lower, 10 %."),
    ],
)
def test_a_sitter_out_of_a_spot_is_sent_back_and_no_lamp_is_blamed(way, words):
    (finding,) = judged(replace(OUT, way_back=way))
    assert say(finding) == "Sitter is out of the key's spot."
    assert (do(finding), finding.cause, finding.turn) == (words, "sitter", None)
    assert finding.measured == -1.2


def test_what_a_lamp_leads_is_laid_to_its_spot_and_turns_nothing():
    turn = low("cheek", cause="lamp", explained_by="key")
    _, cheek, shoulder = judged(OUT, turn, low("shoulder"))
    assert (cheek.cause, cheek.explained_by) == ("sitter", "key")
    assert shoulder.cause == "unknown"
    _, cheek = judged(MOVED, low("cheek", cause="sitter"))
    assert (cheek.cause, cheek.explained_by) == ("lamp", "key")


def test_a_sitter_out_of_a_spot_explains_nothing_that_is_too_bright():
    _, cheek = judged(OUT, low("cheek", measured=7.0))
    assert cheek.cause == "unknown"


@pytest.mark.parametrize("state", ["steady", "not seen"])
def test_a_spot_that_shows_nothing_says_nothing(state):
    findings = [low("cheek")]
    assert judged(SpotReading(state), *findings) == findings


@pytest.mark.parametrize(
    ("where", "overhead"),
    [
        ({}, True),  # nobody said where it is
        ({"elevation": 35, "distance": 1.8}, False),
        ({"elevation": 35, "distance": 1.2}, True),
        ({"elevation": 50, "distance": 3.0}, True),
        ({"elevation": 20, "distance": 2.0, "stand": "Boom on a roller"}, True),
        ({"elevation": -3, "distance": 0.8}, False),
        ({"elevation": 20, "distance": 2.0, "role": "hair"}, True),
    ],
)
def test_a_lamp_that_may_fall_on_somebody_is_known_by_where_it_hangs(where, overhead):
    assert Light.model_validate({"name": "key", **where}).is_overhead is overhead

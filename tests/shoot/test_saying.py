"""What is said on set is read as it was meant, or refused with what would be right."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stopwise.errors import WrongUse
from stopwise.plan.model import Light, Plan
from stopwise.shoot.awaited_parts import Awaiting, Came
from stopwise.shoot.saying import (
    TakeSaid,
    read_lit,
    read_look,
    read_parts,
    read_take,
    read_turned,
)

LAMPS = ("key", "fill", "hair", "paper left", "paper 2")
PLAN = Plan.model_validate(
    {
        "schema": 1,
        "light": [{"name": name} for name in LAMPS],
        "look": [{"name": "in black"}, {"name": "hat"}],
    }
)


@pytest.mark.parametrize(
    ("said", "turned"),
    [
        ("key -0.5", {"key": -0.5}),
        ("key -0.5, fill +0.2", {"key": -0.5, "fill": 0.2}),
        ("key -0.5 fill +0.2 paper 2 -1", {"key": -0.5, "fill": 0.2, "paper 2": -1.0}),
        ("key=-0.5", {"key": -0.5}),
        ("Key down 1/3", {"key": -1 / 3}),
        ("paper left up 0.4 stop", {"paper left": 0.4}),
        ("paper 2 -1.0", {"paper 2": -1.0}),
        ("paper 2 −1", {"paper 2": -1.0}),
        ("key +1 1/3", {"key": 4 / 3}),
        ("key +0", {}),
        ("", {}),
    ],
)
def test_turns_are_read_as_people_say_them(said, turned):
    assert read_turned(said, PLAN) == pytest.approx(turned)


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ("key 0.5", "which way"),
        ("keys -0.5", 'Did you mean "key"'),
        ("key -0,5", "no turn"),
        ("key", "no turn"),
        ("key -0.5, key -0.2", "twice"),
        ("key -40", "30"),
        ("key -13", "more than any pack"),
        ("key lots", "no turn"),
    ],
)
def test_a_turn_that_could_be_mistaken_is_refused(said, words):
    with pytest.raises(WrongUse, match=words):
        read_turned(said, PLAN)


PACKS = Plan.model_validate(
    {
        "light": [
            {"name": "key", "power": -2.0, "scale": "figure", "full_reads": 10},
            {"name": "fill", "power": "1/8", "scale": "fraction"},
            {"name": "hair", "power": "125 Ws", "scale": "Ws", "full_ws": 500},
            {"name": "rim", "power": -3.0},
            {"name": "low"},
        ]
    }
)


@pytest.mark.parametrize(
    ("said", "turned"),
    [
        ("key at 7.2", {"key": -0.8}),
        ("key at 7.2 of 10", {"key": -0.8}),
        ("key at -2.8", {"key": -0.8}),
        ("Key AT full", {"key": 2.0}),
        ("key at 8", {}),
        ("fill at 1/4", {"fill": 1.0}),
        ("fill at 1/4+0.3", {"fill": 1.3}),
        ("hair at 250", {"hair": 1.0}),
        ("hair at 250 Ws, rim at -3.5", {"hair": 1.0, "rim": -0.5}),
        ("key at 7.2, fill down 1/3", {"key": -0.8, "fill": -1 / 3}),
    ],
)
def test_a_dials_new_place_is_read_as_its_pack_shows_it(said, turned):
    assert read_turned(said, PACKS, powers={}) == pytest.approx(turned, abs=1e-3)


def test_a_dials_new_place_is_held_against_where_it_stood():
    assert read_turned("key at 7.2", PACKS, powers={"key": -3.0}) == {"key": 0.2}


@pytest.mark.parametrize(
    ("said", "words"),
    [
        (
            "key 7.2",
            'which way, or where it stands. Write "key -0.5" .*, "key at 7.2" for its dial',
        ),
        ("fill 1/4", 'which way, or where it stands. Write "fill -0.5" .*, "fill at 7.2"'),
        ("key 7.2 of 10", "which way, or where it stands"),
        ("key at 11", "above full power"),
        ("fill at 0/1", "is not a power"),
        ("key at 1", "can't stand at 1: its power goes from 2.0 of 10 to 10.0 of 10"),
        ("rim at 7.2", "above full power"),
        ("low at -2", "Where low stood before isn't known"),
        ("key at", "no turn"),
        ("key down -0.5", "not a number of stops"),
        ("key fil -0.5", '"fil" is no lamp of the plan. Did you mean "fill"'),
        ("key fill -0.5", "says one turn. Say that of each, key and fill"),
    ],
)
def test_a_place_is_never_taken_for_a_turn(said, words):
    with pytest.raises(WrongUse, match=words):
        read_turned(said, PACKS, powers={})


def test_where_nobody_knows_where_a_dial_stood_its_place_is_refused():
    for plan, powers in ((PACKS, None), (None, None)):
        with pytest.raises(WrongUse, match="Say how far it was turned"):
            read_turned("key at 7.2", plan, powers=powers)


def test_without_a_plan_any_lamp_may_be_turned():
    assert read_turned("left bank -0.3", None) == {"left bank": -0.3}


@given(
    st.dictionaries(
        st.sampled_from(LAMPS), st.integers(-80, 80).filter(bool).map(lambda n: n / 10), max_size=5
    )
)
def test_turns_that_are_said_are_read_again(turned):
    assert read_turned(TakeSaid(turned).words, PLAN) == pytest.approx(turned)


def test_a_third_of_a_stop_is_shown_to_the_hundredth():
    assert read_take("key down 1/3, f/8", PLAN).shown == "key -0.33, f/8"


@pytest.mark.parametrize(
    ("said", "turned", "camera"),
    [
        ("f/8", {}, {"f_number": 8.0}),
        ("F8, iso 200", {}, {"f_number": 8.0, "iso": 200.0}),
        ("key -0.5, aperture f/5.6", {"key": -0.5}, {"f_number": 5.6}),
        ("shutter 1/125, key down 0.3", {"key": -0.3}, {"shutter": 1 / 125}),
        ("ISO400", {}, {"iso": 400.0}),
        ("", {}, {}),
    ],
)
def test_a_setting_that_was_changed_on_purpose_is_said_with_the_turns(said, turned, camera):
    found = read_take(said, PLAN)
    assert found.turned == pytest.approx(turned, abs=1e-3)
    assert found.camera == pytest.approx(camera)
    again = read_take(found.words, PLAN)
    assert (again.turned, again.camera) == (turned, pytest.approx(camera, rel=1e-3))


def test_a_lamp_is_a_lamp_though_it_is_called_like_a_setting():
    plan = Plan(lights=(Light(name="f"), Light(name="iso")))
    assert read_take("f -0.5, iso -0.2", plan) == TakeSaid({"f": -0.5, "iso": -0.2})


@pytest.mark.parametrize("said", ["f/8, f/11", "iso 100, iso 100", "f/900", "iso 0", "1/125"])
def test_a_setting_that_is_said_twice_or_is_none_is_refused(said):
    with pytest.raises(WrongUse):
        read_take(said, PLAN)


def test_parts_lamps_and_looks_are_found_whatever_their_case():
    assert read_parts("Grey, ambient,plate, KEY , paper left", PLAN) == (
        "grey",
        "ambient",
        "plate",
        "key",
        "paper left",
    )
    assert read_lit("key,fill", PLAN) == ("key", "fill")
    assert read_lit("all", PLAN) is None
    assert read_lit("key fill", PLAN) == ("key", "fill")
    assert read_lit("paper left paper 2, Hair", PLAN) == ("paper left", "paper 2", "hair")
    assert read_parts("grey key key white card fill", PLAN) == (
        "grey",
        "key",
        "key white card",
        "fill",
    )
    assert read_lit(",".join(LAMPS), PLAN) is None
    assert read_look("In Black", PLAN) == "in black"
    assert read_look("none", PLAN) is None


@pytest.mark.parametrize(
    ("read", "said", "words"),
    [
        (read_parts, "grey, kye", 'Did you mean "key"'),
        (read_parts, " , ", "in order"),
        (read_lit, "keey", 'Did you mean "key"'),
        (read_lit, "key keey", '"keey" is no lamp of the plan. Did you mean "key"'),
        (read_lit, "key fil", '"fil" is no lamp of the plan. Did you mean "fill"'),
        (read_lit, "fil hair, key", '"fil" is no lamp of the plan. Did you mean "fill"'),
        (read_parts, "key white crad", 'Did you mean "key white card"'),
        (read_lit, "", "which lamps"),
        (read_look, "in blac", 'Did you mean "in black"'),
    ],
)
def test_an_unknown_name_is_refused_with_the_nearest(read, said, words):
    with pytest.raises(WrongUse, match=words):
        read(said, PLAN)


def test_what_is_awaited_goes_on_and_back_one_by_one():
    awaiting = Awaiting(("grey", "key", "fill"))
    assert awaiting.words() == "next: grey, then key, fill"
    came = Came("grey", "F0001.dng", None)
    after = awaiting.with_frame(came).with_frame(Came("key", "F0002.dng", "F0000.dng"))
    assert after.part == "fill"
    assert after.undone() == awaiting.with_frame(came)
    assert after.asked_again("key").left == ("fill", "key")
    assert after.with_frame(Came("fill", "F0003.dng", None)).words() == "nothing more is awaited"

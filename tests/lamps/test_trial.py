"""What is tried besides power: what it does to each light, what can't be known, how it is kept."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from stopwise.errors import WrongUse
from stopwise.handover.gathering import ShootKept
from stopwise.handover.set_sheet import set_sheet
from stopwise.lamps.dial import Dials
from stopwise.lamps.solos import lamp_set, paper_doubts, patch_doubts
from stopwise.lamps.superposition import clipped_range, clipped_shares, predict
from stopwise.lamps.trial import LightChanges, Trial, let_through
from stopwise.ledger import Ledger
from stopwise.plan.model import Gel, Plan
from stopwise.plan.now import plan_now
from stopwise.report.tables import lamp_rows, target_rows, walk_sentences
from stopwise.shoot.dialling import KeptTrial, keep_trial, kept_trials
from stopwise.shoot.saying import read_trial
from support.lit_sets import LitSet, plan_for

AMBER = (-0.2, -0.7, -2.1)


@pytest.fixture(scope="module")
def made() -> LitSet:
    return LitSet(seed=6, noise=False, fullest=0.2)


def plan_of(made: LitSet, **key) -> Plan:
    light = [{"name": name, "power": -4.0} for name in made.names]
    light[0] |= {"distance": 1.8, **key}
    light[1] |= {"kind": "continuous"}
    tables = {"light": light, "gel": [{"name": "amber", "stops": AMBER}, {"name": "empty"}]}
    return Plan.model_validate(tables | {"camera": {"sync_speed": "1/200", "mid_grey_iso": 100}})


def changes_of(made: LitSet, **key) -> LightChanges:
    return LightChanges(plan_of(made, **key), made.lamp_set, {"amber": AMBER})


def stops_of(made: LitSet, trial: Trial, light: str | None, **key) -> list[float]:
    """Return by how many stops each channel of a light changes."""
    lit, before = changes_of(made, **key).relit(trial), made.lamp_set
    now, was = (
        one.ambient.mean if light is None else one.nets[light].mean for one in (lit, before)
    )
    return [float(np.log2(a.sum() / b.sum())) for a, b in zip(now, was, strict=True)]


@pytest.mark.parametrize(
    ("trial", "key", "fill", "ambient"),
    [
        # inverse square: half the distance is two stops (CIE photometric distance law)
        (Trial(metres={"key": 0.9}), [2.0] * 3, [0.0] * 3, [0.0] * 3),
        # full marks lie a stop apart (ISO 517, ISO 12232, ISO 516)
        (Trial(camera={"f_number": 8.0}), [1.0] * 3, [1.0] * 3, [1.0] * 3),
        (Trial(camera={"iso": 400.0}), [2.0] * 3, [2.0] * 3, [2.0] * 3),
        # a flash is over before the shutter shuts: only what burns is dimmed (common practice)
        (Trial(camera={"shutter": 1 / 80}), [0.0] * 3, [1.0] * 3, [1.0] * 3),
        (Trial(gels={"key": "amber"}), list(AMBER), [0.0] * 3, [0.0] * 3),
        (
            Trial(metres={"key": 3.6}, gels={"key": "amber"}, camera={"f_number": 16.0}),
            [-3.2, -3.7, -5.1],
            [-1.0] * 3,
            [-1.0] * 3,
        ),
    ],
)
def test_each_change_moves_the_lights_that_it_moves_on_set(made, trial, key, fill, ambient):
    for light, stops in (("key", key), ("fill", fill), (None, ambient)):
        assert stops_of(made, trial, light) == pytest.approx(stops, abs=1e-3)


def test_a_lamp_that_was_moved_is_less_sure_where_the_sitter_lies_deeper(made):
    """By the inverse square law of a small source (CIE), at a point 0.2 m behind the one meant."""
    lit = changes_of(made).relit(Trial(metres={"key": 1.4}))
    patch = plan_now(plan_for(made.frame(), made.names)).measured[0]
    sure, before = (
        patch_doubts(one, patch)[made.names.index("key")] for one in (lit, made.lamp_set)
    )
    deep = 2.0 * np.log2(((1.8 + 0.2) / (1.4 + 0.2)) / (1.8 / 1.4))
    assert np.sqrt(sure**2 - before**2) == pytest.approx(abs(deep), rel=0.15)
    assert paper_doubts(lit)[made.names.index("key")] == pytest.approx(2 * np.log2(1.8 / 1.4), 0.01)


def test_a_lamp_that_is_off_gives_the_frame_without_it(made):
    lit = changes_of(made).relit(Trial(off=("key",)))
    frame = made.frame(out=("key",))
    assert predict(lit, {}).luminance == pytest.approx(frame.luminance, abs=1e-5)


def test_where_a_solo_is_clipped_only_too_much_light_is_told(made):
    """Its light there is a lower bound: the jacket isn't seen, unless it is too light as it is."""
    solos = made.solos | {"key": made.solo("key", 3.5)}
    plan = plan_for(made.frame(), made.names)
    lamps = lamp_set(solos, made.ambient)

    def tried(turn: float, *, off: tuple[str, ...] = ()) -> tuple[str, list[str]]:
        trial = Trial(turns={"key": turn}, off=off)
        lit = LightChanges(plan, lamps, {}).relit(trial)
        answer = Dials(lit, plan_now(plan), trial=trial).tried(trial.turns)
        (row,) = (row for row in target_rows(answer) if row.of == "jacket")
        return row.state, [one.say for one in answer.unsure if one.of == "jacket"]

    assert np.mean(lamps.nets["key"].boxes["jacket"].clipped) > 0.01
    assert tried(-3.5) == (
        "not seen",
        ["Jacket not seen: a solo is clipped there. Shoot it again, turned down."],
    )
    assert tried(0.0)[0] == "fails"
    assert tried(-3.5, off=("key",)) == ("fails", [])


def test_a_gel_is_measured_from_a_frame_of_a_lamp_under_it(made):
    under = made.lamp_set.nets["key"].filtered(np.exp2(AMBER))
    gel = Gel(name="amber", frame="F0020.dng", lamp="key")
    assert let_through(gel, made.lamp_set, under) == pytest.approx(AMBER, abs=1e-4)
    assert let_through(gel, made.lamp_set, None) is None
    assert let_through(Gel(name="bare"), made.lamp_set, under) is None


@pytest.mark.parametrize(
    ("trial", "key", "said"),
    [
        (Trial(metres={"fill": 1.0}), {}, "the plan doesn't say its distance"),
        (Trial(metres={"key": 0.8}), {}, "tried from 0.90 to 3.60 m, half to twice its 1.80 m"),
        (Trial(metres={"key": 1.0}), {"role": "background"}, "its distance from the paper"),
        (Trial(gels={"key": "empty"}), {}, 'What gel "empty" lets through isn\'t known'),
        (Trial(gels={"key": "amber"}), {"gel": "frost"}, 'it wore "frost" in its solo'),
        (Trial(camera={"shutter": 1 / 250}), {}, "isn't known to sync"),
        (Trial(camera={"f_number": 2.8}), {}, "4.0 stops from the solos' f/11: 3 are tried"),
        (Trial(off=("rim",)), {}, "Can't try rim: no solo of that name."),
    ],
)
def test_what_solos_cant_tell_is_refused_with_why(made, trial, key, said):
    with pytest.raises(WrongUse, match=said):
        changes_of(made, **key).relit(trial)


def test_without_an_ambient_frame_the_shutter_isnt_offered_and_it_says_what_to_shoot(made):
    changes = LightChanges(plan_of(made), lamp_set(made.solos), {})
    with pytest.raises(WrongUse, match=r"no ambient frame\. Shoot one: stopwise expect ambient"):
        changes.values("shutter", "")
    values, now = changes_of(made).values("shutter", "")
    assert now == pytest.approx(1 / 160)
    assert min(values) == pytest.approx(1 / 200)  # the plan's sync speed
    assert changes.values("f_number", "")[0][0::3] == [4.0, 5.6, 8.0, 11.0, 16.0, 22.0, 32.0]


def test_at_another_iso_than_the_cards_and_nearer_it_is_said_what_isnt_counted(made):
    lit = changes_of(made).relit(Trial(metres={"key": 1.2}, camera={"iso": 200.0}))
    assert [note.code for note in lit.notes][-2:] == ["inverse square", "other iso"]


def test_clipping_is_told_as_a_range_that_holds_what_cant_be_told(made):
    bright = predict(made.lamp_set, dict.fromkeys(made.names, 2.2))
    share = float(np.mean(clipped_shares(bright)))
    least, most = clipped_range(bright)
    assert 0.0 < least < share < most < 1.5 * share
    named = replace(bright, is_stop_named=True)  # a sensor may stop short of it
    assert clipped_range(named)[1] > most


@pytest.mark.parametrize(
    ("said", "trial"),
    [
        ("hair off, key +0.3", Trial({"key": 0.3}, off=("hair",))),
        ("key at 120 cm", Trial(metres={"key": 1.2})),
        ("key at -3.5", Trial({"key": 0.5})),
        ("hair gel half blue, fill no gel", Trial(gels={"hair": "half blue", "fill": ""})),
        (
            "f/8, iso 200, 1/125",
            Trial(camera={"f_number": 8.0, "iso": 200.0, "shutter": 0.008}),
        ),
    ],
)
def test_a_trial_is_said_as_one_speaks_of_it(made, said, trial):
    plan = Plan.model_validate({"light": [{"name": n, "power": -4.0} for n in made.names]})
    assert read_trial(said, plan, powers=dict.fromkeys(made.names, -4.0)) == trial


@pytest.mark.parametrize(
    "said", ["hair off, hair off", "key at 1 m, key at 2 m", "hair gel a, hair no gel", "rim off"]
)
def test_what_is_said_twice_or_of_no_lamp_is_refused(made, said):
    with pytest.raises(WrongUse):
        read_trial(said, plan_of(made))


def test_a_kept_trial_stands_where_it_stood_though_dials_were_turned_since(made):
    plan = plan_for(made.frame(), made.names)
    trial = Trial({"key": -0.5}, off=("hair",))
    changes = LightChanges(plan, made.lamp_set, {})
    dials = Dials(changes.relit(trial), plan_now(plan), trial=Trial(off=("hair",)))
    answer = dials.tried(trial.turns)
    rows = {row.name: row for row in lamp_rows(answer, plan)}
    assert (rows["hair"].words, rows["hair"].new, rows["fill"].words) == (
        "switch off",
        "off",
        "leave",
    )
    assert json.loads(json.dumps(answer.to_json()))["lamps"]["hair"]["turn"] is None
    with Ledger(":memory:") as ledger:
        keep_trial(ledger, KeptTrial.of(" low key ", trial, answer, dials.knobs))
        keep_trial(ledger, KeptTrial.of("low key", trial, answer, dials.knobs))
        [kept] = kept_trials(ledger)
    assert (kept.name, kept.dials["key"], kept.besides) == ("low key", -4.5, Trial(off=("hair",)))
    lower = Dials(made.lamp_set, plan_now(plan.at_powers({"key": -4.2})), stands={"key": -0.2})
    assert kept.as_dials_stand(lower.knobs) == Trial({"key": -0.3}, off=("hair",))
    with pytest.raises(WrongUse, match="one line"):
        KeptTrial.of("  ", trial, answer, dials.knobs)


def test_the_set_sheet_shows_what_was_tried_as_each_pack_shows_it():
    besides = Trial(off=("hair",), gels={"key": "amber"}, camera={"f_number": 8.0})
    trial = KeptTrial("low key", {"key": -2.5, "hair": -3.0}, besides, {"lit cheek": 6.04})
    plan = Plan.model_validate(
        {"light": [{"name": "key", "power": -2.0, "scale": "fraction"}, {"name": "hair"}]}
    )
    kept = ShootKept(plan=plan, dials={}, records=(), trials=(trial,))
    sections = {section.title: section.parts for section in set_sheet(kept).sections}
    [rows] = sections["Light that was tried"]
    shows = plan.lights[0].power_shown(-2.5)
    assert rows.rows == (
        ("low key", f"key {shows}, hair off", "key gel amber, f/8", "lit cheek 6.0"),
    )


def test_what_is_to_be_done_goes_round_the_set_with_its_cautions(made):
    plan = plan_for(made.frame(), made.names)
    places = {"key": (60.0, 20.0), "fill": (-40.0, 10.0), "hair": (170.0, 60.0)}
    lights = tuple(
        one.model_copy(update={"off_axis": round_, "elevation": up, "distance": 2.0})
        for one in plan.lights
        for round_, up in [places.get(one.name, (None, None))]
    )
    plan = plan.model_copy(update={"lights": lights})
    trial = Trial(
        {"fill": 0.3, "key": -0.5}, off=("hair",), metres={"key": 1.5}, camera={"f_number": 8.0}
    )
    lit = LightChanges(plan, made.lamp_set, {}).relit(trial)
    answer = Dials(lit, plan_now(plan), trial=trial).tried(trial.turns)
    told = walk_sentences(answer, plan)
    assert told[0] == "Camera to f/8."
    assert told[1] == "Key down 0.5, to -4.5. Key to 1.50 m from the sitter."
    assert told[2].startswith("Hair lamp off. Hair lamp hangs over the sitter:")
    assert told[3] == "Fill up 0.3, to -3.7."
    assert told[4] == "Dump what was turned down, as its maker directs."

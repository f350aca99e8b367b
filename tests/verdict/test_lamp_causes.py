"""What lamps make of findings, on the sample frames: one finding a cause, and a turn only of lamps.

The truth of each frame is the light model's, in `sample_frames/truth.json`.
"""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace

import pytest

from stopwise.lamps.blame import Circumstances
from stopwise.lamps.seen import LampsSeen
from stopwise.pipeline import Brief, assess_file
from stopwise.pipeline.plan_frames import PlanFrames
from stopwise.plan import load_plan
from stopwise.plan.model import Plan
from stopwise.plan.now import plan_now
from stopwise.verdict.lamp_causes import with_lamp_causes
from support.made_records import finding

SAMPLES = Path(__file__).parents[2] / "sample_frames"
TRUTH = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))["frames"]


@pytest.fixture
def record(sample_records):
    """Return a function that gives a sample frame's record."""
    return lambda name: sample_records[f"{name}.dng"]


def fails(found):
    return [finding for finding in found["findings"] if finding["state"] == "fails"]


def of(found, check, name):
    return next(f for f in fails(found) if (f["check"], f["of"]) == (check, name))


@pytest.mark.parametrize("name", ["F0009", "F0010", "F0011", "F0012", "F0013", "F0015", "F0017"])
def test_each_lamp_reads_what_it_truly_gave(record, name):
    lamps, true = record(name)["lamps"], TRUTH[f"{name}.dng"]["lamps"]
    for lamp, reading in lamps.items():
        if true[lamp]["state"] == "out":
            assert reading["state"] == "out"
            assert reading["stops"] is None
        elif (name, lamp) != ("F0015", "key"):  # its hot spot is no setting of its power
            assert reading["state"] == "fired"
            assert reading["stops"] == pytest.approx(true[lamp]["stops"], abs=0.1)


def test_a_hot_key_is_turned_down_by_what_it_is_over(record):
    """The solo is at -2.0 and the key stands at -1.2, so it goes back to where the solo was."""
    found = record("F0009")
    (turn,) = found["turns"]
    assert (turn["light"], turn["stops"], turn["to"]) == ("key", -0.8, -2.0)
    assert turn["do"] == "Key down 0.8, to -2.0."
    assert found["lamps"]["key"]["setting"] == -1.2
    assert {"lit cheek", "brow", "jacket", "mask"} <= set(turn["explains"])
    cheek = of(found, "patch", "lit cheek")
    assert (cheek["cause"], cheek["explained_by"]) == ("lamp", "key")
    assert (cheek["turn"], cheek["do"]) == (None, "")


def test_a_key_turned_too_far_down_is_turned_up_again(record):
    (turn,) = record("F0010")["turns"]
    assert (turn["light"], turn["stops"], turn["to"]) == ("key", 0.7, -2.0)


def test_a_lamp_that_did_not_fire_makes_one_finding(record):
    (only,) = fails(record("F0012"))
    assert (only["check"], only["of"], only["cause"]) == ("lamp", "hair", "lamp")
    assert (only["say"], only["do"]) == ("Hair lamp did not fire.", "Stop. Check it, shoot again.")
    assert record("F0012")["turns"] == []


def test_a_paper_lamp_that_is_over_is_named_as_a_lamp(record):
    found = of(record("F0013"), "backdrop", "backdrop left_right")
    assert (found["cause"], found["explained_by"]) == ("lamp", "paper right")
    (turn,) = record("F0013")["turns"]
    assert (turn["light"], turn["to"]) == ("paper right", -4.0)


def test_no_lamp_at_all_is_one_finding_on_the_trigger(record):
    (only,) = record("F0014")["findings"]
    assert (only["say"], only["do"]) == ("No lamp fired.", "Check the trigger, shoot again.")


def test_a_hot_centre_is_feathered_and_no_zone_is_blamed(record):
    (only,) = fails(record("F0015"))
    assert (only["check"], only["of"]) == ("headroom", "lit cheek")
    assert only["do"].startswith("Feather key, powder, or key down 0.")


def test_a_head_that_turned_is_no_lamps_fault(record):
    found = record("F0017")
    assert {f["of"] for f in fails(found)} <= {"lit cheek", "brow"}
    cheek = of(found, "patch", "lit cheek")
    assert (cheek["cause"], found["turns"]) == ("sitter", [])
    assert cheek["do"] == "Sitter has turned. Leave the lamps."
    key = found["lamps"]["key"]
    assert key["state"] == "fired"
    assert key["stops"] == pytest.approx(0.0, abs=0.05)


def test_a_sitter_who_moved_a_hands_breadth_makes_no_lamp_out_weak_or_strong(record):
    found = record("F0016")
    assert found["verdict"] == "on plan"
    for reading in found["lamps"].values():
        assert reading["state"] in ("fired", "not seen")
        if reading["state"] == "fired":
            assert reading["stops"] == pytest.approx(0.0, abs=0.4)


def test_without_the_plans_own_frames_nothing_is_said_of_lamps(tmp_path):
    plan = load_plan(SAMPLES / "plan.toml")
    found = assess_file(
        SAMPLES / "F0009.dng", Brief(plan=plan, plan_folder=tmp_path), PlanFrames()
    ).record
    assert found.lamps is None
    assert any((one.check, one.of) == ("patch", "lit cheek") for one in found.findings)


@pytest.mark.parametrize(
    ("name", "solos", "asked", "turn"),
    [
        ("F0009.dng", [], ["key", "fill"], ("key", -0.8)),
        ("F0013.dng", ["paper right"], ["paper left"], ("paper right", -0.5)),
    ],
)
def test_solos_that_are_shot_as_asked_lead_to_the_turn(name, solos, asked, turn):
    """Each frame asks for the solo that lacks, until what is to be turned is known."""
    whole = load_plan(SAMPLES / "plan.toml")
    told = []
    for _ in range(4):
        frames = whole.frames.model_copy(
            update={"solo": {lamp: whole.frames.solo[lamp] for lamp in solos}}
        )
        brief = Brief(plan=whole.model_copy(update={"frames": frames}), plan_folder=SAMPLES)
        record = assess_file(SAMPLES / name, brief, PlanFrames()).record
        answer = record.answer
        if answer.turns:
            break
        assert answer.findings[0].advice == "solo"
        # what the missing lamp gives beside them would count as theirs
        assert {one.state for one in (record.lamps or {}).values()} <= {"not seen"}
        told += answer.findings[0].detail.lamps
        solos = [*solos, told[-1]]
    assert told == asked
    assert [(one.light, one.stops) for one in answer.turns] == [turn]


def test_what_is_too_light_is_never_laid_to_a_lamp_that_is_out():
    """Without its light all is darker: blown cloth and an unexplained patch that is over stay."""
    plan = Plan.model_validate({"schema": 1, "light": [{"name": name} for name in ("key", "fill")]})
    solos = SimpleNamespace(names=("key", "fill"), read=lambda *_, **__: None)
    known = LampsSeen({}, knowledge=SimpleNamespace(scene=solos), around=Circumstances({}))
    failing = [
        finding(check, code, "jacket", 7.9, 7.0, cause="unknown", lamps=("fill",))
        for check, code in (("clip", "blown"), ("headroom", "near_clip"), ("patch", "over"))
    ]
    under = finding("patch", "under", "hair", 5.1, 5.8, cause="unknown", lamps=("fill",))
    told, _ = with_lamp_causes([*failing, under], plan_now(plan), known, out=["fill"])
    assert [one.check for one in told] == ["lamp", "clip", "headroom", "patch"]


def test_a_patch_called_as_a_ratio_is_stays_when_the_other_patch_s_lamp_is_out():
    """Names of patches hold any word, and nothing is read out of them."""
    boxes = {"lit": [0.1, 0.1, 0.2, 0.2], "hand to lit": [0.3, 0.1, 0.4, 0.2]}
    leads = {"lit": "key", "hand to lit": "fill"}
    plan = Plan.model_validate(
        {
            "schema": 1,
            "light": [{"name": name} for name in ("key", "fill")],
            "patch": [
                {"name": name, "box": box, "zone": 5.0, "lit_by": [leads[name]]}
                for name, box in boxes.items()
            ],
        }
    )
    doubtful = [finding("patch", "over", name, 5.2, 5.0, state="on the line") for name in boxes]
    solos = SimpleNamespace(names=("key", "fill"), read=lambda *_, **__: None)
    known = LampsSeen({}, knowledge=SimpleNamespace(scene=solos), around=Circumstances({}))
    told, _ = with_lamp_causes(doubtful, plan_now(plan), known, out=["key"])
    assert [(one.check, one.of) for one in told] == [("lamp", "key"), ("patch", "hand to lit")]

"""`stopwise dial` on the sample frames: JSON, text, slip, cache, and what it ends with."""

from __future__ import annotations

import io
import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from stopwise.cli import run
from stopwise.ledger import Ledger
from stopwise.plan import load_plan
from stopwise.shoot.dialling import prepare_dials

SAMPLES = Path(__file__).parents[2] / "sample_frames"
TRUTH = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def studio(tmp_path_factory):
    """Return a folder with the sample plan and its frames, and a ledger that keeps the solos."""
    folder = tmp_path_factory.mktemp("studio")
    for name in ("plan.toml", *(f"F{number:04d}.dng" for number in (2, 4, 5, 6, 7, 8, 11))):
        shutil.copy(SAMPLES / name, folder / name)
    with Ledger(folder / "l.sqlite") as ledger:  # as a watch's page does
        prepare_dials(folder / "plan.toml", ledger=ledger).solved()
    return folder


def dialled(studio, capfd, *more, plan="plan.toml"):
    code = run(["dial", "--plan", str(studio / plan), "--ledger", str(studio / "l.sqlite"), *more])
    said = capfd.readouterr()
    return code, said.out, said.err


def changed(studio, name, *pairs):
    """Write the plan with some of its text replaced, and return its name."""
    text = (SAMPLES / "plan.toml").read_text(encoding="utf-8")
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new, 1)
    (studio / name).write_text(text, encoding="utf-8")
    return name


def test_powers_that_meet_the_plan_predict_the_frame_that_was_then_made(studio, capfd):
    """The reference frame stands at the solos' powers; its truth comes from the light model."""
    code, out, _ = dialled(studio, capfd, "--json")
    answer = json.loads(out)
    assert code == 0
    assert answer["schema"] == 1
    assert answer["unmet"] == []
    assert all(abs(lamp["turn"]) <= 0.1001 for lamp in answer["lamps"].values())
    true = TRUTH["frames"]["F0011.dng"]
    for name, zone in answer["predicted"]["patches"].items():
        assert zone == pytest.approx(true["patches"][name]["zone"], abs=0.15)
    assert answer["predicted"]["ratios"][0] == pytest.approx(true["ratio_stops"], abs=0.1)


def test_powers_that_are_tried_show_the_frame_that_was_made_with_them(studio, capfd):
    """F0009 was made with the key 0.8 up; its truth comes from the light model."""
    code, out, _ = dialled(studio, capfd, "--json", "--try", "key +0.8")
    answer, true = json.loads(out), TRUTH["frames"]["F0009.dng"]
    assert code == 1
    assert {name: lamp["turn"] for name, lamp in answer["lamps"].items() if lamp["turn"]} == {
        "key": 0.8
    }
    assert len(answer["predicted"]["patches"]) == 7
    for name, zone in answer["predicted"]["patches"].items():
        if true["patches"][name]["zone"] < 7.6:  # under clip, where the frame tells it
            assert zone == pytest.approx(true["patches"][name]["zone"], abs=0.1)
    assert {"jacket", "brow", "lit cheek"} <= {one["of"] for one in answer["unmet"]}
    assert all("what is allowed." in one["say"] for one in answer["unmet"])


@pytest.mark.parametrize(
    ("tried", "said"),
    [
        ("key +3", "key can't be turned by +3.0: from where it stands its range goes by -6.0 to"),
        ("rim -1", '"rim" is no lamp of the plan'),
        ("key 0.5", "doesn't say which way"),
    ],
)
def test_what_cant_be_tried_is_refused(studio, capfd, tried, said):
    code, _, err = dialled(studio, capfd, "--try", tried)
    assert code == 2
    assert said in err


def test_what_one_dial_turns_is_tried_together(studio, capfd):
    text = (SAMPLES / "plan.toml").read_text(encoding="utf-8")
    packed = text.replace('modifier = "reflector"', 'modifier = "reflector"\npack = "pack A"')
    (studio / "packed.toml").write_text(packed, encoding="utf-8")
    plan = "packed.toml"
    answer = json.loads(dialled(studio, capfd, "--json", "--try", "paper left -0.4", plan=plan)[1])
    assert answer["lamps"]["paper right"]["turn"] == -0.4
    assert answer["lamps"]["key"]["turn"] == 0.0
    apart = "paper left -0.4, paper right -0.2"
    code, _, err = dialled(studio, capfd, "--try", apart, plan=plan)
    assert code == 2
    assert "One dial turns paper left and paper right: try them alike" in err


def test_the_answer_has_the_keys_that_other_programs_read(studio, capfd):
    answer = json.loads(dialled(studio, capfd, "--json")[1])
    assert {"schema", "lamps", "predicted", "unmet"} <= set(answer)
    assert set(answer["lamps"]["key"]) == {"turn", "power", "at_limit"}
    keys = {"patches", "uncertainty", "ratios", "left_right", "clipped", "clipped_may_be"}
    assert set(answer["predicted"]) == keys


def test_solos_that_a_ledger_keeps_are_read_out_of_it_and_nothing_is_written(
    studio, capfd, monkeypatch
):
    empty = studio / "empty.sqlite"
    Ledger(empty).close()
    decoded = dialled(studio, capfd, "--json", "--ledger", str(empty))[1]
    for place, count in ((empty, 0), (studio / "l.sqlite", 14)):
        with Ledger(place, is_read_only=True) as ledger:
            assert ledger.row("SELECT count(*) FROM solos") == (count,)
    monkeypatch.setattr("stopwise.pipeline.plan_frames.decode_unproven", None)
    assert json.loads(dialled(studio, capfd, "--json")[1]) == json.loads(decoded)


def test_a_person_reads_each_lamp_with_its_power_as_the_pack_shows_it(studio, capfd):
    plan = changed(
        studio,
        "pack.toml",
        ("power = -2.0\nstep = 0.1", 'power = -2.0\nscale = "figure"\nstep = 0.1'),
        ("zone = 6.5", "zone = 5.7"),
        ("zone = 6.9", "zone = 6.1"),
        ("zone = 7.0", "zone = 6.2"),
        ("zone = 2.9", "zone = 2.1"),
        ("zone = 5.8\nstill = true\nlit_by", "zone = 5.0\nstill = true\nlit_by"),
        ("stops = 2.1", "stops = 1.3"),
    )
    lamp = json.loads(dialled(studio, capfd, "--json", plan=plan)[1])["lamps"]["key"]
    out = dialled(studio, capfd, plan=plan)[1]
    key = next(line.split() for line in out.splitlines() if line.split()[:1] == ["key"])
    assert lamp["turn"] < -0.7
    words = f"key 8.0 of 10 down {-lamp['turn']:.1f} {10.0 + lamp['power']:.1f} of 10"
    assert " ".join(key) == words


def test_what_stays_unmet_ends_with_1_and_says_why_and_what_then(studio, capfd):
    plan = changed(
        studio,
        "hair.toml",
        (
            'zone = 5.8\nfollow = true\nlit_by = ["hair"',
            'zone = 6.9\nfollow = true\nlit_by = ["hair"',
        ),
        ("power = -3.0", "power = -0.4"),
    )
    code, out, _ = dialled(studio, capfd, "--json", plan=plan)
    answer = json.loads(out)
    assert code == 1
    assert answer["lamps"]["hair"]["at_limit"]
    assert answer["lamps"]["hair"]["power"] == 0.0
    hair = next(target for target in answer["unmet"] if target["of"] == "hair")
    assert hair["short_by"] > 0.1
    reason, advice = "hair lamp is at the top of its range", "Open the aperture"
    for words in (reason, advice, "ove hair lamp from 1.4 m to about"):
        assert words in hair["say"]


def test_a_kept_lamp_stays(studio, capfd):
    plan = changed(studio, "kept.toml", ("zone = 4.5\nfollow", "zone = 5.6\nfollow"))
    answer = json.loads(dialled(studio, capfd, "--json", "--keep", "fill", plan=plan)[1])
    assert answer["lamps"]["fill"]["turn"] == 0.0
    free = json.loads(dialled(studio, capfd, "--json", plan=plan)[1])
    assert free["lamps"]["fill"]["turn"] > 0.3


def test_solos_in_other_clothes_turn_no_lamp_for_what_they_dont_show(studio, capfd):
    """A white jacket's light is no black one's: what stays with the set is all that is known."""
    code, out, _ = dialled(studio, capfd, "--look", "in black", "--json")
    answer = json.loads(out)
    assert code == 1
    assert list(answer["predicted"]["patches"]) == ["chip"]
    assert {name for name, lamp in answer["lamps"].items() if lamp["turn"]} == set()
    assert answer["unmet"] == []


def test_a_take_that_turned_a_lamp_moves_where_it_stands_now(studio, capfd):
    before = json.loads(dialled(studio, capfd, "--json")[1])
    turned = shutil.copy(studio / "l.sqlite", studio / "turned.sqlite")
    with Ledger(turned) as ledger:
        ledger.takes.begin({"key": -0.5})
    after = json.loads(dialled(studio, capfd, "--json", "--ledger", str(turned))[1])
    assert after["lamps"]["key"]["turn"] == pytest.approx(before["lamps"]["key"]["turn"] + 0.5)
    assert after["lamps"]["key"]["power"] == before["lamps"]["key"]["power"]


def test_the_slip_shows_the_picture_that_the_powers_would_give(studio, capfd):
    assert dialled(studio, capfd, "--slip", str(studio / "slips"))[0] == 0
    sheet = Image.open(studio / "slips" / "plan-dialled.png")
    assert sheet.size == (1600, 1200)
    picture = np.asarray(sheet.convert("L"), float)[240:840, 60:860]
    assert picture.std() > 30.0
    assert dialled(studio, capfd, "--slip", str(studio / "one.png"))[0] == 0
    Image.open(io.BytesIO((studio / "one.png").read_bytes())).verify()


@pytest.mark.parametrize(
    ("change", "more", "said"),
    [
        ((), ("--keep", "rim"), "Can't keep rim: no solo of that name."),
        (('key = "F0004.dng"', 'key = "F0099.dng"'), (), "the plan names it as the key solo"),
        ((), ("--look", "in red"), "has no look 'in red'"),
    ],
)
def test_wrong_use_ends_with_2_and_says_what_to_do(studio, capfd, change, more, said):
    plan = changed(studio, "wrong.toml", *([change] if change else []))
    code, out, err = dialled(studio, capfd, *more, plan=plan)
    assert (code, out) == (2, "")
    assert said in err
    assert "Traceback" not in err


def test_a_plan_without_solos_says_how_to_get_them(studio, capfd):
    text = (SAMPLES / "plan.toml").read_text(encoding="utf-8")
    bare = text[: text.index("[frames]")] + text[text.index("[set]") :]
    (studio / "bare.toml").write_text(bare, encoding="utf-8")
    assert load_plan(studio / "bare.toml").frames.solo == {}
    code, _, err = dialled(studio, capfd, plan="bare.toml")
    assert code == 2
    assert "Shoot each lamp alone and mark it" in err


def test_a_solo_that_holds_another_lamp_too_is_refused_with_what_to_do(studio, capfd):
    """The first frame under all lamps, marked as the fill's solo by mistake."""
    shutil.copy(SAMPLES / "F0011.dng", studio / "F0011.dng")
    plan = changed(studio, "two.toml", ('fill = "F0005.dng"', 'fill = "F0011.dng"'))
    code, out, err = dialled(studio, capfd, plan=plan)
    (studio / "F0011.dng").unlink()
    assert (code, out) == (2, "")
    assert "The fill solo holds the light of" in err
    assert "Cap" in err

"""`stopwise compare` on files of the light model, whose turns and settings are known."""

from __future__ import annotations

import json
import math
import re

import pytest

from stopwise.cli import run
from stopwise.ledger import Ledger
from stopwise.pipeline import plan_frames
from stopwise.shoot.dialling import prepare_dials
from support.made_takes import MadeShoot, settings


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Return a small shoot with its solos and a frame whose key was turned down by 0.7."""
    shoot = MadeShoot(tmp_path_factory.mktemp("shoot"))
    shoot.frame("A0001.dng", {"key": -0.7})
    return shoot


@pytest.fixture(autouse=True)
def no_watch(monkeypatch, tmp_path):
    """Let no folder have been watched, whose frames a name could mean."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))


@pytest.fixture
def compare(made, capsys):
    def call(before, after, *more, plan=True):
        planned = ["--plan", str(made.plan)] if plan else []
        paths = [str(made.folder / name) for name in (before, after)]
        code = run(["compare", *paths, *planned, "--json", *more])
        return code, json.loads(capsys.readouterr().out)

    return call


def test_a_turn_that_was_said_is_found_and_explains_every_patch(compare):
    code, answer = compare("F0011.dng", "A0001.dng", "--turned", "key=-0.7")
    assert code == 0
    assert set(answer) == {
        "schema", "before", "after", "settings_stops", "patches", "lamps", "findings"
    }  # fmt: skip
    assert answer["schema"] == 1
    assert answer["settings_stops"] == 0.0
    assert answer["lamps"]["key"] == pytest.approx(-0.7, abs=0.05)
    assert answer["lamps"]["fill"] == pytest.approx(0.0, abs=0.05)
    for name in ("lit cheek", "jacket", "chip", "shadow cheek"):
        patch = answer["patches"][name]
        assert patch["stops"] == pytest.approx(patch["expected"], abs=0.06), name


def test_a_lamp_that_moved_though_nobody_touched_it_is_named_once(compare):
    code, answer = compare("F0011.dng", "A0001.dng", "--turned", "")
    [failing] = [one for one in answer["findings"] if one["state"] == "fails"]
    assert code == 1
    assert (failing["check"], failing["of"], failing["cause"]) == ("lamp", "key", "lamp")
    assert failing["say"] == "Key down 0.7, and nobody turned it."


def test_a_lamp_still_at_the_old_power_is_said(compare):
    code, answer = compare("A0001.dng", "A0001.dng", "--turned", "key down 0.7")
    assert code == 1
    failing = answer["findings"][0]
    assert failing["say"] == "Key still at the old power."
    assert (failing["turn"]["light"], failing["turn"]["stops"]) == (
        "key",
        pytest.approx(-0.7, abs=0.01),
    )


def test_light_of_a_lamp_that_lost_its_solo_is_laid_to_nobody(made, capsys, tmp_path):
    """Its solo counts no more once it was moved; what it lights can't be worked out then."""
    kept = ["--ledger", str(tmp_path / "day.sqlite")]
    text = made.plan.read_text(encoding="utf-8")
    moved = made.folder / "moved.toml"
    moved.write_text(re.sub(r'(?m)^key = "F.*$', "", text), encoding="utf-8")
    frames = [str(made.folder / name) for name in ("F0011.dng", "A0001.dng")]
    run(["check", *frames, "--plan", str(made.plan), *kept])
    capsys.readouterr()
    assert run(["compare", "F0011", "A0001", "--plan", str(moved), *kept, "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["lamps"]["key"] == pytest.approx(-0.7, abs=0.05)
    told = {one["of"]: one["state"] for one in answer["findings"] if one["check"] == "patch"}
    assert told == {"shadow cheek": "holds", "hair": "holds"}  # which the key doesn't light


def test_the_aperture_is_taken_out_of_flash(made, compare):
    """ISO 517: f/8 passes one stop more than f/11; the model takes 11 / 7.778 = sqrt(2) for it."""
    made.frame("A0002.dng", settings=settings(f_number=11.0 / math.sqrt(2.0)))
    _, answer = compare("F0011.dng", "A0002.dng", plan=False)
    assert answer["settings_stops"] == pytest.approx(1.0, abs=1e-6)
    _, answer = compare("F0011.dng", "A0002.dng")
    assert answer["patches"]["lit cheek"]["stops"] == pytest.approx(0.0, abs=0.05)
    assert answer["patches"]["chip"]["stops"] == pytest.approx(0.0, abs=0.05)


def test_a_sitter_who_moved_is_no_lamp_and_no_camera(made, compare):
    made.frame("A0003.dng", scene=made.shoot.moved(right_m=-0.08))
    _, answer = compare("F0011.dng", "A0003.dng")
    [framing] = [one for one in answer["findings"] if one["of"] == "framing"]
    assert framing["cause"] == "sitter"
    assert framing["measured"] == pytest.approx(0.08, abs=0.02)
    assert not [one for one in answer["findings"] if one["cause"] == "lamp"]


def test_a_head_that_turned_is_told_from_its_lamps(made, compare):
    """At 60 degrees' incidence 10 degrees of turn move a cheek by about a third of a stop."""
    made.frame("A0004.dng", scene=made.shoot.moved(head_turn_deg=10.0))
    _, answer = compare("F0011.dng", "A0004.dng")
    cheek = next(one for one in answer["findings"] if one["of"] == "lit cheek")
    assert cheek["state"] == "fails"
    assert cheek["cause"] == "sitter"
    assert cheek["turn"] is None
    assert answer["lamps"]["key"] == pytest.approx(0.0, abs=0.1)


def noting(decode, decoded):
    """Return a decoder that notes the names of its files."""

    def noted(path):
        decoded.append(path.name)
        return decode(path)

    return noted


def test_solos_that_the_ledger_keeps_are_not_decoded_again(made, compare, tmp_path, monkeypatch):
    names = ("F0011.dng", "A0001.dng", "--turned", "key=-0.7")
    _, without = compare(*names)
    ledger = tmp_path / "ledger.sqlite"
    with Ledger(ledger) as made_ledger:  # as a watch's page does
        prepare_dials(made.plan, ledger=made_ledger).solved()
    decoded = []
    monkeypatch.setattr(
        plan_frames, "decode_unproven", noting(plan_frames.decode_unproven, decoded)
    )
    _, answer = compare(*names, "--ledger", str(ledger))
    assert decoded == ["F0002.dng"]  # the ambient frame, for its figures
    for name, stops in without["lamps"].items():
        assert answer["lamps"][name] == pytest.approx(stops, abs=0.01), name


def test_the_slip_is_drawn_beside_the_figures(made, compare, tmp_path):
    compare("F0011.dng", "A0001.dng", "--slip", str(tmp_path))
    [slip] = tmp_path.iterdir()
    assert slip.name == "F0011 to A0001.png"
    assert slip.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["F0011.dng"], 2, "BEFORE and AFTER"),
        (["F0011.dng", "gone.dng"], 2, "isn't there"),
        (["F0011.dng", "A0001.dng", "--take", "2"], 2, "go together"),
        (["F0011.dng", "A0001.dng", "--turned", "kye -0.5"], 2, "key"),
    ],
)
def test_wrong_use_is_one_sentence(made, capsys, monkeypatch, arguments, code, said):
    monkeypatch.chdir(made.folder)
    assert run(["compare", *arguments, "--plan", "plan.toml"]) == code
    error = capsys.readouterr().err
    assert said in error
    assert "Traceback" not in error


def test_a_file_cut_short_ends_with_three(made, capsys, tmp_path):
    cut = tmp_path / "cut.dng"
    cut.write_bytes(made.reference.read_bytes()[:5000])
    assert run(["compare", str(made.reference), str(cut)]) == 3
    assert str(cut) in capsys.readouterr().err

"""A take's medians as targets: dial finds the turns that were made, on solos of the light model."""

from __future__ import annotations

import json

import pytest

from stopwise.cli import run
from stopwise.comparison.matching import plan_to_match
from stopwise.comparison.sides import side_of_frames
from stopwise.ledger import Ledger, Place, Stamp
from stopwise.pipeline import Brief, assess_file
from stopwise.pipeline.plan_frames import PlanFrames
from stopwise.plan import load_plan
from support.made_takes import MadeShoot
from support.records import PLAN, kept, patch

BOX = (0.4, 0.4, 0.5, 0.5)


def test_zones_and_ratios_become_what_the_take_showed():
    shots = [
        kept(patches={"lit cheek": patch(zone, BOX), "shadow cheek": patch(zone - 1.7, BOX)})
        for zone in (6.1, 6.2, 6.9)
    ]
    wanted = plan_to_match(PLAN, side_of_frames(shots, name="take 1"))
    assert {one.name: one.zone for one in wanted.patches} == {
        "lit cheek": 6.2,
        "shadow cheek": 4.5,
    }
    [ratio] = wanted.ratios
    assert ratio.stops == pytest.approx(1.7)
    assert wanted.lights == PLAN.lights


def test_dial_finds_the_powers_of_an_earlier_take(tmp_path, capsys):
    made = MadeShoot(tmp_path)
    path = made.frame("A0001.dng", {"key": -0.6, "fill": 0.4})
    brief = Brief(plan=load_plan(made.plan), plan_folder=tmp_path, take=1)
    whole = assess_file(path, brief, PlanFrames()).record
    with Ledger(tmp_path / "june.sqlite") as ledger:
        ledger.takes.begin(name="final")
        ledger.frames.keep(whole, Place("/x", "A1.dng", Stamp(1, 1, 1)), sha256="1" * 64)
    call = ["dial", "--plan", str(made.plan), "--match", str(tmp_path / "june.sqlite")]
    run([*call, "--take", "final", "--json"])
    lamps = json.loads(capsys.readouterr().out)["lamps"]
    assert lamps["key"]["turn"] == pytest.approx(-0.6, abs=0.11)
    assert lamps["fill"]["turn"] == pytest.approx(0.4, abs=0.11)
    assert run(call) == 2
    assert "go together" in capsys.readouterr().err

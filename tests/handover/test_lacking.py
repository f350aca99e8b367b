"""What a record lacks: each thing once, with what to do; a whole one lacks nothing."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from stopwise.cli import run
from stopwise.handover.gathering import AdoptedFrame, ShootKept
from stopwise.handover.lacking import lacks_of
from stopwise.plan import load_plan
from stopwise.record import record_from_json
from support.kept_day import SAMPLES, keep_day

PLAN = load_plan(SAMPLES / "plan.toml")


@pytest.fixture(scope="module")
def whole(sample_records):
    """Return a shoot whose record lacks nothing."""
    records = tuple(record_from_json(row) for row in sample_records.values())
    adopted = next(record for record in records if record.file.endswith("F0011.dng"))
    return ShootKept(
        plan=PLAN,
        dials={},
        records=records,
        adopted=(AdoptedFrame(adopted, object()),),
        photographs=(("set.jpg", b""),),
    )


def changed(kept, **what):
    return ShootKept(**{name: getattr(kept, name) for name in kept.__dataclass_fields__} | what)


def without(kept, lamp, key):
    lights = tuple(
        light.model_copy(update={key: None}) if light.name == lamp else light
        for light in kept.plan.lights
    )
    return changed(kept, plan=kept.plan.model_copy(update={"lights": lights}))


def test_a_whole_record_lacks_nothing(whole):
    assert lacks_of(whole) == ()


@pytest.mark.parametrize(
    ("key", "code"),
    [("distance", "distance"), ("off_axis", "place"), ("power", "power"), ("modifier", "modifier")],
)
def test_what_nobody_wrote_of_a_lamp_is_lacking(whole, key, code):
    assert [(one.code, one.of) for one in lacks_of(without(whole, "fill", key))] == [(code, "fill")]


def test_a_solo_that_isnt_there_or_cant_be_used_is_lacking(whole):
    frames = PLAN.frames.model_copy(update={"solo": {"key": "F0004.dng"}})
    gone = changed(whole, plan=PLAN.model_copy(update={"frames": frames}))
    assert {(one.code, one.of) for one in lacks_of(gone)} == {
        ("solo", name) for name in ("fill", "hair", "paper left", "paper right")
    }
    spoiled = changed(whole, solos_unusable=frozenset(("key",)))
    assert [one.code for one in lacks_of(spoiled)] == ["solo_unusable"]


def test_no_picture_of_light_or_set_is_lacking(whole):
    assert [one.code for one in lacks_of(changed(whole, adopted=()))] == ["adopted"]
    assert [one.code for one in lacks_of(changed(whole, photographs=()))] == ["no_picture"]


def test_it_is_said_before_the_set_is_struck(tmp_path, sample_records, capsys):
    text = (SAMPLES / "plan.toml").read_text(encoding="utf-8")
    plan = tmp_path / "plan.toml"
    plan.write_text(re.sub(r"distance = 1\.80\n", "", text), encoding="utf-8")
    ledger = keep_day(tmp_path / "day.sqlite", sample_records, plan=plan)
    assert run(["sheet", "--check", "--ledger", str(ledger)]) == 1
    said = capsys.readouterr().out
    assert "Key: no distance. Measure from lamp to face." in said
    assert "its solo can't be used" in said  # the frames don't lie beside this plan
    assert not list(Path.cwd().glob("set-sheet*"))

"""Frames that arrive level: offsets against made frames whose exposure is known."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from stopwise.cli import run
from stopwise.comparison.matching import level_of, levelled
from stopwise.findings import Reason
from stopwise.ledger import Kept, Ledger, Place, Stamp
from stopwise.pipeline import Brief, assess_file
from stopwise.pipeline.plan_frames import PlanFrames
from stopwise.plan import load_plan
from stopwise.record import Level, record_from_json
from stopwise.shoot.look_frames import keep_adopted
from support.made_takes import MadeShoot, settings
from support.records import kept, patch, unreadable

BOX = (0.4, 0.4, 0.5, 0.5)


def shot(name, offsets, **colour):
    """Return a record whose patches lie so many stops off -2."""
    patches = {
        f"patch {at}": patch(6.0 + off, BOX, log2_y=-2.0 + off, **colour)
        for at, off in enumerate(offsets)
    }
    return kept(file=name, patches=patches)


def test_the_offset_undoes_what_is_off_and_one_turned_cheek_does_not_matter():
    level = level_of(
        shot("F2", [0.3, 0.31, 0.29, 0.8], red_green=0.15, blue_green=-0.2),
        shot("F1", [0.0] * 4, red_green=0.1, blue_green=-0.25),
    )
    assert level.to == "F1"
    assert level.stops == pytest.approx(-0.305, abs=0.006)
    assert level.red_green == pytest.approx(-0.05)
    assert level.blue_green == pytest.approx(-0.05)
    assert level.patches == 4


def test_its_uncertainty_is_that_of_a_median_of_scattered_patches():
    """Standard error of a median: 1.2533 sigma over the root of n, drawn here 400 times."""
    rng = np.random.default_rng(2)
    draws = rng.normal(0.0, 0.1, (400, 25))
    told = [level_of(shot("F2", list(draw)), shot("F1", [0.0] * 25)) for draw in draws]
    truly = np.std([one.stops for one in told])
    assert np.median([one.uncertainty for one in told]) == pytest.approx(truly, rel=0.2)


def test_the_plan_s_own_frames_have_no_offset():
    frame = shot("F2", [0.3, 0.3])
    solo = replace(frame, verdict="measured", reason=Reason("own_frame", ("solo of key",)))
    assert level_of(frame, shot("F1", [0.0, 0.0])) is not None
    assert level_of(solo, shot("F1", [0.0, 0.0])) is None


def test_with_nothing_to_hold_it_against_there_is_no_offset():
    assert level_of(shot("F2", [0.1]), None) is None
    assert level_of(shot("F2", []), shot("F1", [0.0])) is None
    assert level_of(record_from_json(unreadable()), shot("F1", [0.0])) is None
    one = replace(shot("F2", [0.1]), look="in black", level=Level("old", 0.1, 0.1, None, None, 1))
    row = Kept(frame=1, sha256="0" * 64, row=one.to_json(), landed_ns=0)
    assert list(levelled([row], {None: shot("F1", [0.0])})) == [row.row]


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    shoot = MadeShoot(tmp_path_factory.mktemp("level"), solos=False)
    shoot.frame("A0001.dng", settings=settings(f_number=11.0 * 2.0**0.25))
    return shoot


def measured(made, name):
    plan = load_plan(made.plan)
    brief = Brief(plan=plan, plan_folder=Path(made.folder), file=name)
    return assess_file(made.folder / name, brief, PlanFrames()).record


def test_a_frame_half_a_stop_under_is_lifted_by_half_a_stop(made):
    """The model closes the lens by 2 log2(2 ** 0.25) = 0.5 stop; settings are not taken out."""
    level = level_of(measured(made, "A0001.dng"), measured(made, "F0011.dng"))
    assert level.stops == pytest.approx(0.5, abs=0.03)
    assert level.red_green == pytest.approx(0.0, abs=0.03)
    assert level.blue_green == pytest.approx(0.0, abs=0.03)


def test_the_table_that_is_handed_over_has_the_offsets_from_the_adopted_frame(tmp_path, capsys):
    path = tmp_path / "ledger.sqlite"
    with Ledger(path) as ledger:
        for at, off in enumerate((0.0, 0.25)):
            name = f"F{at:04d}.dng"
            whole = shot(name, [off] * 3)
            ledger.frames.keep(whole, Place("/made", name, Stamp(1, at, at)), sha256=str(at) * 64)
        keep_adopted(ledger, None, Path("/made/F0000.dng"))
    assert run(["ledger", "export", "--ledger", str(path), "--csv"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [float(row["level.stops"]) for row in rows] == pytest.approx([0.0, -0.25])
    assert {row["level.to"] for row in rows} == {"F0000.dng"}

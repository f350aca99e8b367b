"""The plan's own frames that can't be used: each is told of, and its lamp is recorded as not seen.

The frames are of the invented day; what is broken in them is broken here.
"""

from __future__ import annotations

import os
import pickle
import shutil
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest

import stopwise
from golden import kept
from golden.parts import as_kept
from lightmodel.dng import write_dng
from soak.parents import spec_of
from stopwise import raw
from stopwise.frame import Camera
from stopwise.ledger import Ledger
from stopwise.pipeline import Brief, assess_file, plan_frames
from stopwise.pipeline.brief import FrameNote, UnreadNeedsError
from stopwise.pipeline.plan_frames import PlanFrames
from stopwise.plan.model import FramePart
from stopwise.plan.now import plan_now
from stopwise.report.terminal import note_lines
from support.made_raws import write_kind

SAMPLES = Path(__file__).parents[2] / "sample_frames"
PLAN = stopwise.load_plan(SAMPLES / "plan.toml")
FILL = FramePart("solo", "fill")
FRAME = "F0009.dng"


@pytest.fixture(scope="module")
def frames():
    """Return one service for all tests here: it reads a file anew once it was changed."""
    return PlanFrames()


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """Return a folder with the plan, its frames and the frame that is judged."""
    folder = tmp_path_factory.mktemp("whole")
    for name in {"plan.toml", FRAME, *(one.file for one in PLAN.frames.marked)}:
        shutil.copy(SAMPLES / name, folder / name)
    return folder


@pytest.fixture
def folder(whole):
    """Return it with the solo of the fill to be broken, which is mended afterwards."""
    solo = whole / PLAN.frames.solo["fill"]
    sound, times = solo.read_bytes(), solo.stat()
    yield whole
    solo.write_bytes(sound)
    os.utime(solo, ns=(times.st_atime_ns, times.st_mtime_ns))


def assessed(folder, frames):
    plan = stopwise.load_plan(folder / "plan.toml")
    return assess_file(folder / FRAME, Brief(plan=plan, plan_folder=folder), frames)


def test_with_all_frames_there_nothing_is_told_and_all_lamps_are_seen(folder, frames):
    whole = assessed(folder, frames)
    assert whole.notes == ()
    assert {name for name, one in whole.record.lamps.items() if one.state != "not seen"} == {
        light.name for light in PLAN.lights
    }


def test_a_head_with_paper_in_its_place_is_never_on_plan(folder, frames, tmp_path):
    """Most patches are seen and hold; those of skin, and the ratio between them, aren't."""
    on_plan, plate = (stopwise.decode(SAMPLES / name) for name in ("F0011.dng", "F0003.dng"))
    height, width = on_plan.mosaic.shape
    head = np.s_[height // 25 : height // 2, width // 3 : width * 3 // 5]
    mosaic = on_plan.mosaic.copy()
    mosaic[head] = plate.mosaic[head]
    path = tmp_path / "gone.dng"
    write_dng(path, mosaic, spec=replace(spec_of(on_plan), compression="none", bits=16))

    plan = stopwise.load_plan(folder / "plan.toml")
    record = assess_file(path, Brief(plan=plan, plan_folder=folder), frames).record

    assert record.verdict == "can't tell"
    assert record.reason.code == "must_see"
    assert {"lit cheek", "shadow cheek", "brow"} < set(record.reason.of)


def missing(path):
    path.unlink()


def damaged(path):
    path.write_bytes(path.read_bytes()[:20_000])


def of_other_size(path):
    write_kind(path, "rggb lossless")


@pytest.mark.parametrize(
    ("break_it", "condition"),
    [
        (missing, "frame_missing"),
        (damaged, "frame_unusable"),
        (of_other_size, "frame_of_other_size"),
    ],
)
def test_a_broken_solo_is_told_of_and_its_lamp_is_recorded_as_not_seen(
    folder, frames, break_it, condition
):
    name = PLAN.frames.solo["fill"]
    break_it(folder / name)
    found = assessed(folder, frames)
    assert [(note.part, note.file, note.condition) for note in found.notes] == [
        (FILL, name, condition)
    ]
    [line] = note_lines(found.notes, set())
    assert line.startswith(f"The plan's {name} (solo of fill): ")
    lamps = found.record.lamps
    assert set(lamps) == {light.name for light in PLAN.lights}
    assert (lamps["fill"].state, lamps["fill"].stops) == ("not seen", None)


def test_a_solo_of_another_camera_is_told_of(folder, frames):
    frame = stopwise.decode(folder / FRAME)
    other = replace(frame, camera=Camera(make="Invented", model="Another body"))
    brief = Brief(plan=PLAN, plan_folder=folder)
    known = frames.known(brief, other, plan_now(PLAN))
    assert {note.condition for note in known.notes} == {"frame_of_other_camera"}
    assert set(known.missing) == set(PLAN.frames.solo)


def test_out_of_a_ledger_they_tell_what_they_told_when_they_were_decoded(folder, tmp_path):
    """The ambient frame's figures, too, which tell a frame that no lamp lit; and the camera."""
    brief = Brief(plan=PLAN, plan_folder=folder)
    ours = stopwise.decode(folder / FRAME)
    other = replace(ours, camera=Camera(make="Invented", model="Another body"))
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        decoded, kept_light, misfits = (
            PlanFrames(ledger).known(brief, frame, plan_now(PLAN)) for frame in (ours, ours, other)
        )
    assert decoded.ambient == kept_light.ambient is not None
    assert kept_light.solos.keys() == decoded.solos.keys() == PLAN.frames.solo.keys()
    assert {note.condition for note in misfits.notes} == {"frame_of_other_camera"}


def test_workers_that_begin_again_decode_none_of_the_plans_frames(folder, tmp_path, monkeypatch):
    decoded = []

    def decode(path):
        decoded.append(path.name)
        return raw.decode_unproven(path)

    monkeypatch.setattr(plan_frames, "decode_unproven", decode)
    brief, place = Brief(plan=PLAN, plan_folder=folder), str(tmp_path / "ledger.sqlite")
    with Ledger(place):  # the watch has it open meanwhile
        first, again = (read_by_worker(brief, place) for _ in range(2))
    assert sorted(decoded) == sorted(Path(key[0]).name for key in first)
    assert first.keys() == again.keys()
    for key, own in first.items():
        assert np.array_equal(own.light.mean, again[key].light.mean)
        assert own.measurement == again[key].measurement
        assert own.place == again[key].place


def read_by_worker(brief, place):
    """Return all that a worker reads for a brief, in a service of its own, and keeps."""
    frames = pickle.loads(pickle.dumps(PlanFrames(is_supplied=True, kept_in=place)))  # noqa: S301
    there = {}
    while True:
        try:
            frames.prepare(brief)
        except UnreadNeedsError as error:
            there |= {need.key: frames.read_needed(*need.arguments) for need in error.needs}
            frames.supply(tuple(there), there)
        else:
            return there


@pytest.mark.parametrize(
    ("name", "part", "look"),
    [
        ("F0009.dng", "frames", None),
        ("F0016.dng", "frames", None),
        ("F0018.dng", "looks", "in black"),
    ],
)
def test_another_program_gets_the_record_that_check_prints(frames, name, part, look):
    """What `check` prints is held to the same kept answers (tests/golden)."""
    record = stopwise.assess(SAMPLES / name, PLAN, look=look, frames=frames)
    assert isinstance(record, stopwise.Record)
    ours, _ = kept.split(as_kept({name: record.to_json()}))
    assert not [*kept.differences(kept.read(part)[name], ours[name])]


def test_frames_in_the_same_condition_are_told_of_in_one_line():
    parts = [FILL, FramePart("ambient")]
    notes = [FrameNote(part, "F1.dng", "frame_of_other_size") for part in parts]
    lines = note_lines([*notes, FrameNote(FILL, "F2.dng", "frame_missing")], set())
    assert [line.partition(":")[0] for line in lines] == [
        "The plan's F1.dng (solo of fill), F1.dng (ambient)",
        "The plan's F2.dng (solo of fill)",
    ]


def test_a_look_that_the_plan_does_not_have_is_refused_by_name():
    with pytest.raises(stopwise.StopwiseError, match="no look 'gala'"):
        stopwise.assess(SAMPLES / FRAME, PLAN, look="gala")


def test_what_a_worker_prepares_is_what_it_assesses_with():
    """A pool hands both to a worker in one parcel, so that one service serves the process."""
    frames = PlanFrames()
    parcel = pickle.dumps((partial(assess_file, frames=frames), frames.prepare))
    both = pickle.loads(parcel)  # noqa: S301 - our own bytes
    assert both[0].keywords["frames"] is both[1].__self__


def test_a_frame_of_the_plan_that_is_a_link_round_in_circles_costs_no_other_its_verdict(tmp_path):
    write_kind(tmp_path / "F1.dng", "gbrg uncompressed")
    (tmp_path / "loop.dng").symlink_to("loop.dng")
    plan = tmp_path / "plan.toml"
    text = 'schema = 1\n[[light]]\nname = "key"\n[frames.solo]\nkey = "loop.dng"\n'
    plan.write_text(text, encoding="utf-8")
    record = stopwise.assess(tmp_path / "F1.dng", stopwise.load_plan(plan))
    assert record.verdict == "measured"

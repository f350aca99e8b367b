"""What goes wrong at the camera and on the disk is called once, until it changes."""

from __future__ import annotations

import pytest

from stopwise.frame import Camera, Exposure
from stopwise.record import Record
from stopwise.shoot.camera import CameraCalls, Room


def frame(*, iso=100.0, size=(6000, 4000), model="M-1"):
    return Record(
        file="F0001.dng",
        verdict="measured",
        camera=Camera("Made", model, None),
        exposure=Exposure(iso=iso, f_number=None, shutter_s=None),
        size=size,
    )


def named(calls, *frames):
    return [
        note.condition.name
        for record, bits in ((one, 14) if isinstance(one, Record) else one for one in frames)
        for note in calls.see(record, bits)
    ]


def test_an_iso_that_keeps_changing_is_called_once_and_again_after_it_was_steady():
    calls = CameraCalls()
    isos = (100, 125, 160, 200, 125, 125, 125, 125, 125, 160, 100)
    assert named(calls, *(frame(iso=float(iso)) for iso in isos)) == ["auto_iso", "auto_iso"]


def test_an_iso_turned_once_by_hand_is_nobodys_fault():
    assert named(CameraCalls(), *(frame(iso=iso) for iso in (100.0, 100.0, 200.0, 200.0))) == []


@pytest.mark.parametrize(
    ("size", "name"), [((3000, 2000), "smaller"), ((4000, 6000), None), ((4000, 4000), "cropped")]
)
def test_a_smaller_picture_is_called_once(size, name):
    found = named(CameraCalls(), frame(), frame(size=size), frame(size=size))
    assert found == ([name] if name else [])


def test_going_back_to_the_whole_picture_is_silent_and_a_second_loss_is_called():
    small, whole = frame(size=(3000, 2000)), frame()
    assert named(CameraCalls(), whole, small, whole, small) == ["smaller", "smaller"]


def test_another_body_is_measured_by_its_own_frames():
    assert named(CameraCalls(), frame(), frame(size=(3000, 2000), model="M-2")) == []


def test_fewer_bits_than_before_are_called():
    frames = ((frame(), 14), (frame(), 12), (frame(), 12), (frame(), None), (frame(), 14))
    assert named(CameraCalls(), *frames) == ["fewer_bits"]


def test_the_room_left_is_called_at_each_mark_on_its_way_down_and_not_on_its_way_up():
    room, size = Room(), 50_000_000
    left = (500, 190, 150, 49, 30, 9, 5, 300, 100)
    told = [[n.detail for n in room.see("/shoot", size, frames * size)] for frames in left]
    assert told == [
        [],
        ["room for 190 more frames"],
        [],
        ["room for 49 more frames"],
        [],
        ["room for 9 more frames"],
        [],
        [],
        ["room for 100 more frames"],
    ]

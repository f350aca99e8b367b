"""The way of one frame in one process, where something on it fails."""

from __future__ import annotations

import pytest

from stopwise.errors import PathMissing
from stopwise.pipeline import Brief, assess_file
from stopwise.pipeline.plan_frames import PlanFrames
from support.made_raws import write_kind


def test_a_fault_of_our_own_on_a_file_costs_that_file(tmp_path, monkeypatch):
    path = tmp_path / "a.dng"
    write_kind(path, "rggb lossless")
    monkeypatch.setattr("stopwise.pipeline.read", lambda *_, **__: next(iter([])))

    record = assess_file(path, Brief(), PlanFrames()).record

    assert record.verdict == "unreadable"
    assert record.reason.condition == "decoder_failed"
    assert record.reason.detail == "StopIteration: "


def test_a_path_that_is_missing_is_no_unreadable_file(tmp_path):
    with pytest.raises(PathMissing):
        assess_file(tmp_path / "a.dng", Brief(), PlanFrames())

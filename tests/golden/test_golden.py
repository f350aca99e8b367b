"""The sample frames' answers stay as they were: records, powers, comparisons, takes and two days.

`-m "not slow"` leaves the two days out. `python tests/golden/write.py PART` keeps a part anew, for
a change that is meant and listed.
"""

from __future__ import annotations

import pytest

from golden import kept
from golden.parts import PARTS, as_kept

DAYS = ("day", "said_day")


def test_records_of_the_sample_frames_are_as_they_were(sample_records):
    are_as_they_were("frames", as_kept(sample_records))


@pytest.mark.parametrize(
    "part",
    [
        pytest.param(part, marks=pytest.mark.slow if part in DAYS else ())
        for part in PARTS
        if part != "frames"
    ],
)
def test_answers_are_as_they_were(part, tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))  # no watch of another test's
    are_as_they_were(part, PARTS[part](tmp_path))


def are_as_they_were(part, found):
    answers, sentences = kept.split(found)
    found = [*kept.differences(kept.read(part), answers)]
    found += kept.differences(kept.read("sentences")[part], sentences)
    assert not found, "\n".join([f"{len(found)} of {part} differ:", *found[:40]])


def test_a_figure_a_key_a_string_and_an_order_that_differ_are_each_told():
    before = {"zone": 6.5, "state": "holds", "findings": ["a", "b"], "gone": None, "flag": True}
    after = {"zone": 6.50001, "state": "fails", "findings": ["b", "a"], "new": 1, "flag": 1}
    assert [line.split(": ")[0] for line in kept.differences(before, after)] == [
        "zone",
        "state",
        "findings / 0",
        "findings / 1",
        "gone",
        "flag",
        "new",
    ]
    assert not [*kept.differences({"zone": 6.5}, {"zone": 6.5000003})]

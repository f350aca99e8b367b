"""The sample frames' answers stay as they were: records, powers, comparisons, takes and two days.

`-m "not slow"` leaves the two days out. `python tests/golden/write.py PART` keeps a part anew, for
a change that is meant and listed.
"""

from __future__ import annotations

import pytest

from golden import kept
from golden.parts import PARTS

DAYS = ("day", "said_day")


@pytest.mark.parametrize(
    "part", [pytest.param(part, marks=pytest.mark.slow if part in DAYS else ()) for part in PARTS]
)
def test_answers_are_as_they_were(part, tmp_path):
    answers, sentences = kept.split(PARTS[part](tmp_path))
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

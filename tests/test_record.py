"""Records: what earlier versions wrote is read as what is written now."""

from __future__ import annotations

import pytest

from stopwise.record import record_from_json
from support.records import record


def test_what_is_written_is_read_as_it_was():
    row = record_from_json(record()).to_json()
    assert record_from_json(row).to_json() == row


def test_a_blown_area_that_was_kept_without_its_centre_has_the_middle_of_its_box():
    row = record()
    row["clipping"]["areas"] = [{"fraction": 0.01, "box": [0.2, 0.4, 0.4, 0.5], "patch": None}]
    [area] = record_from_json(row).clipping.areas
    assert area.centre == pytest.approx((0.3, 0.45))

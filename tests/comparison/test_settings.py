"""Camera settings taken out: marks stand for exact stops, held against published series."""

from __future__ import annotations

from dataclasses import replace

import pytest

from stopwise.comparison.sides import settings_change
from stopwise.frame import Exposure

BASE = Exposure(iso=100.0, f_number=11.0, shutter_s=1 / 160)


def changed(**settings):
    return settings_change(BASE, replace(BASE, **settings))


@pytest.mark.parametrize(
    ("f_number", "stops"),
    [(8.0, 1.0), (16.0, -1.0), (5.6, 2.0), (10.0, 1 / 3), (13.0, -1 / 3), (9.5, 0.5), (5.596, 2.0)],
)
def test_a_mark_of_the_aperture_stands_for_its_exact_stop(f_number, stops):
    """ISO 517: full stops are powers of the root of 2; 5.596 is how APEX rounding stores f/5.6."""
    assert changed(f_number=f_number).flash_stops == pytest.approx(stops, abs=1e-6)


@pytest.mark.parametrize(
    ("shutter_s", "stops"),
    [(1 / 80, 1.0), (1 / 320, -1.0), (1 / 125, 1 / 3), (1 / 200, -1 / 3), (1 / 20, 3.0)],
)
def test_a_mark_of_the_shutter_does_nothing_to_flash_and_dims_what_burns(shutter_s, stops):
    """ISO 516: marks halve the time; third stops between them."""
    change = changed(shutter_s=shutter_s)
    assert change.flash_stops == 0.0
    assert change.steady_stops == pytest.approx(stops, abs=1e-6)


@pytest.mark.parametrize(("iso", "stops"), [(200, 1.0), (50, -1.0), (125, 1 / 3), (1600, 4.0)])
def test_iso_lifts_all_light_alike(iso, stops):
    """Exif APEX: a speed value a stop; 125 is the mark of a third."""
    change = changed(iso=iso)
    assert change.flash_stops == pytest.approx(stops, abs=1e-6)
    assert change.steady_stops == pytest.approx(stops, abs=1e-6)


def test_what_a_file_does_not_say_is_taken_as_unchanged_and_named():
    change = settings_change(BASE, Exposure(iso=200.0))
    assert change.flash_stops == pytest.approx(1.0)
    assert change.unknown == ("f_number", "shutter_s")
    assert settings_change(None, None).unknown == ("iso", "f_number", "shutter_s")


def test_an_aperture_between_marks_counts_as_it_stands():
    """An f-number on no series is exact: f/4.25 is 2 log2(11.314 / 4.25) = 2.825 over f/11."""
    assert changed(f_number=4.25).flash_stops == pytest.approx(2.825075, abs=1e-5)

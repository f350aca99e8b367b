"""Tables in the terminal: what is said where there is nothing to show, or nothing was found."""

from __future__ import annotations

import pytest

from stopwise.comparison.run import run_of
from stopwise.comparison.sides import side_of
from stopwise.comparison.two_sides import compare
from stopwise.report.tables import comparison_text, run_text
from support.records import kept, patch

BOX = (0.4, 0.4, 0.5, 0.5)


def test_a_comparison_of_nothing_known_says_what_it_needs():
    bare = side_of(kept(file="F1", patches={}, lamps={}))
    told = comparison_text(compare(bare, bare)).plain
    assert "give the plan with --plan" in told


@pytest.mark.parametrize(
    ("zones", "words"),
    [
        ([6.0, 6.4, 6.8], "Too few frames to tell a step or a drift: 4 at least."),
        ([6.0, 6.02, 6.0, 6.01, 6.0], "Nothing steps, drifts or falls out by more than 0.1 stop."),
    ],
)
def test_a_run_without_events_says_how_sure_that_is(zones, words):
    records = [
        kept(file=f"F{number}", take=1, lamps={}, patches={"cheek": patch(zone, BOX)})
        for number, zone in enumerate(zones)
    ]
    assert words in run_text(run_of(records)).plain


def test_a_slope_in_the_scatter_is_told_as_such():
    zones = [6.6, 6.0, 5.8, 5.4, 6.3, 5.5, 6.1]
    records = [
        kept(file=f"F{number}", take=1, lamps={}, patches={"cheek": patch(zone, BOX)})
        for number, zone in enumerate(zones)
    ]
    run = run_of(records)
    assert not run.flags
    assert abs(run.patches["cheek"].drift) > run.limit
    assert "No step or drift stands out of the scatter; cheek slopes by" in run_text(run).plain

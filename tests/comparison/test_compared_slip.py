"""The comparison's slip: lines stand where light changed, and every text stays on the sheet."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stopwise.comparison.changes import KnownSet
from stopwise.comparison.sides import side_of
from stopwise.comparison.two_sides import compare
from stopwise.report.compared_slip import comparison_headline, compose
from stopwise.report.sheet import HEIGHT, WIDTH
from support.made_picture import drawable, made_picture
from support.records import kept, patch


def sides(names=("lit cheek",), key=(0.0, -0.5)):
    """Return two sides whose patches and key differ by half a stop."""
    found = []
    for number, stops in enumerate(key):
        patches = {
            name: patch(6.0 + stops, (0.4, 0.3 + 0.02 * at, 0.45, 0.35 + 0.02 * at))
            for at, name in enumerate(names)
        }
        lamps = {"key": {"stops": stops, "uncertainty": 0.02, "state": "fired"}}
        found.append(side_of(kept(file=f"F{number}.dng", patches=patches, lamps=lamps)))
    return found


def pictures(width=480, height=320):
    """Return a picture, and the same with its right half one stop up."""
    before = drawable(made_picture(width, height))
    lift = np.where(np.arange(width) < width // 2, 1.0, 2.0)
    return before, replace(before, luminance=np.asarray(before.luminance) * lift)


def found(sheet, gid):
    return [one for one in sheet.axes.get_children() if one.get_gid() == gid]


def test_lines_stand_where_the_light_changed_and_nowhere_else():
    sheet = compose(compare(*sides()), *pictures())
    [up], [down] = found(sheet, "contours up"), found(sheet, "contours down")
    [ground] = found(sheet, "map")
    left, right = ground.get_x(), ground.get_x() + ground.get_width()
    x = np.concatenate([path.vertices[:, 0] for path in up.get_paths()])
    assert (x - left) / (right - left) == pytest.approx(0.5, abs=0.03)
    assert not down.get_paths()


def test_less_light_differs_by_its_dashes_too():
    before, after = pictures()
    sheet = compose(compare(*sides()), after, before)
    [up], [down] = found(sheet, "contours up"), found(sheet, "contours down")
    assert not up.get_paths()
    assert down.get_linestyles() != up.get_linestyles()


@pytest.mark.parametrize(("width", "height"), [(480, 320), (320, 480), (300, 300), (600, 200)])
def test_every_text_stays_on_the_slip_whatever_the_picture(width, height):
    names = [f"patch of a rather long name {at}" for at in range(14)]
    comparison = compare(*sides(names), known=KnownSet(turned={}))
    sheet = compose(comparison, *pictures(width, height))
    sheet.png()
    for text in sheet.axes.texts:
        box = text.get_window_extent(sheet._renderer)
        assert box.x0 >= 0, text.get_text()
        assert box.x1 <= WIDTH, text.get_text()
        assert HEIGHT >= box.y1 >= box.y0 >= 0, text.get_text()


def test_pictures_of_other_shapes_have_no_map_and_that_is_said():
    before, _ = pictures()
    _, after = pictures(320, 480)
    sheet = compose(compare(*sides()), before, after)
    assert any("No map" in text.get_text() for text in sheet.axes.texts)


def test_the_headline_says_what_then_what_to_do():
    def call(comparison):
        changes = {name: one.stops for name, one in comparison.patches.items()}
        return comparison_headline(comparison.findings, changes)

    asked = compare(*sides(), known=KnownSet(turned={"key": -0.5}))
    assert call(asked) == ("Key down 0.5, as said.", "All else as it was.")
    touched = compare(*sides(), known=KnownSet(turned={}))
    assert call(touched)[0] == "Key down 0.5, and nobody turned it."
    too_far = compare(*sides(), known=KnownSet(turned={"key": -0.2}))
    assert call(too_far) == ("Key down 0.5, said was down 0.2.", "Key up 0.3.")
    short = compare(*sides(), known=KnownSet(turned={"key": -0.9}))
    assert call(short) == ("Key down 0.5, said was down 0.9.", "Key down 0.4.")
    still = compare(*sides(key=(0.0, 0.0)), known=KnownSet(turned={}))
    assert call(still)[0] == "No lamp changed."


def test_hostile_names_are_drawn_as_text():
    comparison = compare(*sides(("$\\frac{1}{0}$", "a\x1b[31mb\n")))
    assert compose(comparison, *pictures()).png()[:4] == b"\x89PNG"

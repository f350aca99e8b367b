"""What a plan's own figures say against each other, each with its figures and what to do."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stopwise.plan.doubts import SENTENCES, Doubt, LampTurn
from stopwise.plan.loading import plan_in, text_of
from stopwise.plan.sense import check_plan, sense_of
from stopwise.stops import exact_f_number

if TYPE_CHECKING:
    from pathlib import Path

# A plan whose figures fit: f/11 and f/6.3 are 5/3 stop apart, so key + fill to fill is 4.17:1 or
# 2.06 stops (the additive convention of lighting handbooks, log2(2^s + 1)).
GOOD = """\
[camera]
iso = 100
f_number = 11
shutter = "1/160"
sync_speed = "1/200"
mid_grey = 0.13
mid_grey_iso = 100
[[light]]
name = "key"
role = "key"
meter = 11
power = -2
[[light]]
name = "fill"
role = "fill"
meter = 6.3
power = -4
[[light]]
name = "left paper"
role = "background"
off_axis = -140
meter = 8
power = -3
[[light]]
name = "right paper"
role = "background"
off_axis = 140
meter = 8
power = -3
[[patch]]
name = "lit cheek"
box = [0.5, 0.4, 0.6, 0.5]
material = "skin"
zone = 6
lit_by = ["key", "fill"]
[[patch]]
name = "shadow cheek"
box = [0.4, 0.4, 0.5, 0.5]
material = "skin"
zone = 4
lit_by = ["fill"]
[[patch]]
name = "jacket"
box = [0.5, 0.7, 0.6, 0.8]
material = "white cloth"
lit_by = ["key", "fill"]
[[ratio]]
lit = "lit cheek"
shadow = "shadow cheek"
stops = 2
[[separation]]
lighter = "lit cheek"
darker = "backdrop"
at_least = 1
[backdrop]
boxes = [[0, 0, 0.3, 0.6], [0.7, 0, 1, 0.6]]
zone = 4.5
left_right = 0
[[may_clip]]
name = "window"
box = [0.9, 0.9, 1.0, 1.0]
[set]
ambient_ev = 3
"""


def doubts(text: str) -> list[tuple[int, Doubt]]:
    """Return each doubt with the line that it is told at."""
    source = text_of(text, "plan.toml")
    return [(source.places.nearest(one.path).line, one) for one in sense_of(plan_in(source))]


def found(text: str, code: str) -> list[Doubt]:
    return [one for _, one in doubts(text) if one.code == code]


def test_a_plan_that_fits_raises_no_doubt() -> None:
    assert doubts(GOOD) == []


# Each change of the plan that fits, the line and code of the doubt that it raises, and its figures,
# worked by hand: stops between marks, 5 + log2 for zones, 2^s and 2^s + 1 for ratios.
DOUBTS: list[tuple[tuple[str, str], int, str, dict[str, object]]] = [
    (("meter = 6.3", "meter = 4"), 50, "ratio_of_readings", {"gives": 3.17, "target": 2.0}),
    (('shutter = "1/160"', 'shutter = "1/250"'), 4, "beyond_sync", {"sync": "1/200 s"}),
    (("iso = 100\n[[", "iso = 200\n[["), 6, "mid_grey_of_other_iso", {"was": 200, "now": 100}),
    (("power = -2", "power = 0"), 12, "at_top", {"lamp": "key", "shown": "full"}),
    (("power = -4", "power = -4.05"), 17, "between_steps", {"lamp": "fill", "near": -4.0}),
    (("power = -4", "power = -8"), 17, "at_bottom", {"lamp": "fill", "shown": "-8.0"}),
    (("zone = 6\n", "zone = 7.5\n"), 30, "zone_out_of_reach", {"least": 3.8, "most": 6.7}),
    (("number = 11", "number = 22"), 30, "zone_out_of_reach", {"least": 1.8, "most": 4.7}),
    (("_ev = 3", "_ev = 9"), 63, "ambient_lifts", {"lamp": "fill", "reads": 1.78, "lift": 0.11}),
    (("140\nmeter = 8\npower = -3\n[[patch", "140\nmeter = 11\npower = -3\n[[patch"), 58,
     "paper_uneven", {"gives": -1.0, "target": 0.0}),
    (('cloth"\nlit_by = ["key", "fill"]\n', 'cloth"\n'), 42, "patch_unlit", {"patch": "jacket"}),
    (('name = "key"\n', 'name = "rim"\n[[light]]\nname = "key"\n'), 8, "lamp_lights_nothing",
     {"lamp": "rim"}),
    (('"white cloth"', '"white cloth"\nzone = 8\nheadroom = 0.5'), 42, "above_the_clip_line",
     {"target": 8.0, "clip": 7.94, "most": 7.44}),
    (("[0.5, 0.7, 0.6, 0.8]", "[0.5, 0.5, 0.8, 0.8]"), 44, "on_the_backdrop", {"patch": "jacket"}),
    (("[0.5, 0.7, 0.6, 0.8]", "[0.5, 0.7, 0.95, 0.95]"), 44, "on_a_clipping_place",
     {"patch": "jacket", "place": "window"}),
    (("zone = 4\n", "zone = 5.6\n"), 50, "ratio_against_zones", {"least": -0.1, "most": 0.9}),
    (("at_least = 1", "at_least = 3"), 54, "separation_against_zones", {"most": 1.9}),
    (("[[sep", '[[ratio]]\nlit = "shadow cheek"\nshadow = "lit cheek"\nstops = 1\n[[sep'), 54,
     "two_ratios", {"before": -2.0, "target": 1.0}),
]  # fmt: skip


# What key and fill say besides that they hang on one pack, and the doubt that it raises.
PACKS: list[tuple[str, str, str | None]] = [
    ("", "", "pack_apart"),
    ("", "asymmetric = true", None),
    ("power = -4", "", None),
    ("power = -4\nstep = 0.5", "", "pack_of_two_scales"),
    ("power = -4\nshare = 0.7", "share = 0.4", "pack_over_shared"),
    ("power = -4\nshare = 0.6", "share = 0.4", None),
]


def on_one_pack(key: str, fill: str) -> str:
    head = GOOD.replace("power = -2", key) if key else GOOD
    head = head.replace('name = "key"', 'name = "key"\npack = "A"', 1)
    return head.replace('name = "fill"', f'name = "fill"\npack = "A"\n{fill}', 1)


@pytest.mark.parametrize(("key", "fill", "code"), PACKS)
def test_heads_on_one_pack_stand_as_one_dial_can_have_them(
    key: str, fill: str, code: str | None
) -> None:
    """A symmetric pack has one dial for its heads (common practice)."""
    codes = [one.code for _, one in doubts(on_one_pack(key, fill)) if one.code.startswith("pack")]
    assert codes == ([] if code is None else [code])


@pytest.mark.parametrize(("change", "line", "code", "figures"), DOUBTS, ids=[r[2] for r in DOUBTS])
def test_what_does_not_fit_is_found_with_its_figures(
    change: tuple[str, str], line: int, code: str, figures: dict[str, object]
) -> None:
    assert GOOD.count(change[0]) == 1

    raised = doubts(GOOD.replace(*change))

    values = next(one.values for at, one in raised if (at, one.code) == (line, code))
    told = {key: values[key] for key in figures}
    assert told == pytest.approx(figures, abs=0.006)


WORDS = {
    ("meter = 6.3", "meter = 4"): (
        "Lit cheek to shadow cheek: the readings give 3.2 stops lit to shadow (f/11 over f/4: "
        "8.0:1 as key to fill, 9.0:1 as key + fill to fill). The target is 2.0, 0.3 either way. "
        "Fill up 1.4, to -2.6."
    ),
    ("f_number = 11", "f_number = 22"): (
        "Jacket: its lamps give f/11+0.4 together, 1.6 under the lens at f/22, which puts white "
        "cloth at Zone 5.0 to 5.9 (common practice). The target is 7.0. Give it 1.1 more light, "
        "or change the target."
    ),
    ('material = "white cloth"', 'material = "white cloth"\nzone = 8\nheadroom = 0.5'): (
        "Jacket at Zone 8 with 0.5 stops of headroom lies above the clip line, Zone 7.94. Target "
        "Zone 7.4 at most."
    ),
}
"""Sentences that are put together of several figures."""


@pytest.mark.parametrize(("change", "words"), WORDS.items(), ids=[w[:20] for w in WORDS.values()])
def test_a_doubt_is_said_in_plain_words(change: tuple[str, str], words: str) -> None:
    assert words in [f"{one.say} {one.do}" for _, one in doubts(GOOD.replace(*change))]


def test_each_doubt_that_was_found_can_be_said() -> None:
    texts = [GOOD.replace(*change) for change, *_ in DOUBTS]
    texts += [on_one_pack(key, fill) for key, fill, _ in PACKS]
    raised = [one for text in texts for _, one in doubts(text)]

    assert {one.code for one in raised} >= {*SENTENCES} - NEEDS_MORE
    for one in raised:
        assert one.say[0].isupper() or one.say[0] == "`"
        assert one.say.endswith(".")
        assert one.do.endswith(".")
        assert "{" not in one.say + one.do


NEEDS_MORE = {"key_off_the_lens", "frame_missing", "two_materials"}
"""What other plans than changes of the good one show; each has a test of its own."""


def test_a_lamp_with_no_power_left_is_said_where_the_ratio_needs_it() -> None:
    text = GOOD.replace("meter = 6.3", "meter = 16").replace("power = -4", "power = -7.8")

    [doubt] = found(text, "ratio_of_readings")
    assert doubt.do.startswith("Fill down 2.6; it has only 0.2 left, so move it")


def test_key_and_fill_go_by_their_roles_where_lit_by_is_not_said() -> None:
    text = GOOD.replace('lit_by = ["key", "fill"]\n', "").replace('lit_by = ["fill"]\n', "")
    text = text.replace("meter = 6.3", "meter = 4")

    [doubt] = found(text, "ratio_of_readings")
    assert doubt.values["gives"] == pytest.approx(3.17, abs=0.01)
    assert "by their roles, since lit_by isn't said" in doubt.say


# Lambert's law by hand: a key 60 round and 35 up gives a surface square to the camera 1.29 stop
# less than its meter says, so f/11 over f/8 lies anywhere from 0.9 to 1.6 stops, lit to shadow.
PLACED = GOOD.replace('role = "key"\n', 'role = "key"\noff_axis = 60\nelevation = 35\n')


def test_a_target_that_turned_surfaces_can_give_raises_no_doubt() -> None:
    text = PLACED.replace("meter = 6.3", "meter = 8").replace("stops = 2\n", "stops = 1\n")
    text = text.replace("zone = 4\n", "zone = 5\n")

    assert not found(text, "ratio_of_readings")
    flat = text.replace("off_axis = 60\nelevation = 35\n", "")
    assert found(flat, "ratio_of_readings")[0].values["gives"] == pytest.approx(1.58, abs=0.01)


def test_how_far_turned_surfaces_reach_is_said_with_a_target_beyond() -> None:
    text = PLACED.replace("meter = 6.3", "meter = 8").replace("stops = 2\n", "stops = 3\n")

    [doubt] = found(text, "ratio_of_readings")
    assert "Surfaces turned from their lamps make it 0.9 to 1.6." in doubt.say


@pytest.mark.parametrize(("lens", "asked"), [(8, True), (11, False), (22, True)])
def test_the_keys_light_far_from_the_lens_is_asked_about_once(lens: float, asked: bool) -> None:
    text = GOOD.replace("f_number = 11", f"f_number = {lens}")
    text = text.replace('material = "skin"\n', "").replace('material = "white cloth"\n', "")

    raised = found(text, "key_off_the_lens")

    assert len(raised) == int(asked)
    assert all(one.values["reading"] == "f/11+0.4" for one in raised)


def test_continuous_lamps_need_no_sync() -> None:
    text = GOOD.replace('shutter = "1/160"', 'shutter = "1/250"')
    text = text.replace("role = ", 'kind = "continuous"\nrole = ')

    assert not found(text, "beyond_sync")


def test_a_frame_that_is_not_there_is_said(tmp_path: Path) -> None:
    file = tmp_path / "plan.toml"
    file.write_text('[[light]]\nname = "key"\n[frames.solo]\nkey = "F3.dng"\n', encoding="utf-8")

    assert check_plan(file).lines[-2] == (
        "plan.toml:4: F3.dng isn't beside the plan. "
        "Copy it there, or mark another: stopwise mark FRAME key."
    )
    (tmp_path / "F3.dng").write_bytes(b"x")
    assert check_plan(file).warnings == 0


def test_the_summary_counts_what_the_plan_holds(tmp_path: Path) -> None:
    file = tmp_path / "plan.toml"
    file.write_text(GOOD, encoding="utf-8")

    last = check_plan(file).lines[-1]

    assert last == "plan.toml: 4 lamps, 3 patches, 1 ratio, a backdrop; no warnings."


READING = st.sampled_from([1.4, 2, 2.8, 4, 5.6, 6.3, 8, 11, 16, 22, 32])


@given(key=READING, fill=READING, target=st.floats(-4, 6), power=st.floats(-8, 0))
def test_what_is_told_to_turn_would_give_the_ratio(
    key: float, fill: float, target: float, power: float
) -> None:
    text = GOOD.replace("meter = 6.3", f"meter = {fill}", 1)
    text = text.replace('role = "key"\nmeter = 11', f'role = "key"\nmeter = {key}')
    text = text.replace("stops = 2\n", f"stops = {target:.3f}\n")
    text = text.replace("power = -4", f"power = {power:.2f}")
    turns = [one.values["turn"] for one in found(text, "ratio_of_readings")]
    if not turns or not isinstance(turns[0], LampTurn):
        return
    change = turns[0].stops
    ratio = (exact_f_number(key) / exact_f_number(fill)) ** 2 / 2.0**change + 1.0
    assert math.log2(ratio) == pytest.approx(target, abs=0.001)

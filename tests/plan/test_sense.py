"""What a plan's own figures say against each other, each with its figures and what to do."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stopwise.nominal import exact_f_number
from stopwise.plan.reading import text_of
from stopwise.plan.sense import check_plan, sense_of

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


def told(text: str) -> list[str]:
    source = text_of(text, "plan.toml")
    doubts = sense_of(source.plan())
    return source.lines((doubt.path, f"{doubt.say} {doubt.do}") for doubt in doubts)


def test_a_plan_that_fits_raises_no_doubt() -> None:
    assert told(GOOD) == []


DOUBTS = [
    (
        ("meter = 6.3", "meter = 4"),
        (
            "plan.toml:50: Lit cheek to shadow cheek: the readings give 3.2 stops lit to shadow "
            "(f/11 over f/4: 8.0:1 as key to fill, 9.0:1 as key + fill to fill). "
            "The target is 2.0, 0.3 either way. Fill up 1.4, to -2.6."
        ),
    ),
    (
        ('shutter = "1/160"', 'shutter = "1/250"'),
        "plan.toml:4: The shutter at 1/250 s is shorter than sync at 1/200 s",
    ),
    (
        ("mid_grey_iso = 100", "mid_grey_iso = 200"),
        "plan.toml:6: `mid_grey` was set at ISO 200, the plan shoots at 100",
    ),
    (
        ("power = -2", "power = 0"),
        "plan.toml:12: Key stands at full, the top of its range: it can't go up.",
    ),
    (
        ("power = -4", "power = -4.05"),
        "plan.toml:17: Fill at -4.05 lies between steps of 0.1.",
    ),
    (
        ("power = -4", "power = -8"),
        "plan.toml:17: Fill stands at -8.0, the bottom of its range.",
    ),
    (
        ("zone = 6\n", "zone = 7.5\n"),
        "which puts skin at Zone 3.8 to 6.7 (common practice). The target is 7.5.",
    ),
    (
        ("f_number = 11", "f_number = 22"),
        "f/11+0.4 together, 1.6 under the lens at f/22, which puts skin at Zone 1.8 to 4.7",
    ),
    (
        ("ambient_ev = 3", "ambient_ev = 9"),
        "EV 9 of ambient at 1/160 s reads f/1.8 and lifts fill (f/6.3) by 0.11 stop.",
    ),
    (
        ("off_axis = 140\nmeter = 8", "off_axis = 140\nmeter = 11"),
        (
            "Background lamps read f/8 left and f/11 right: left minus right is -1.0, and the "
            "target is 0. Right paper down 1.0, to -4.0."
        ),
    ),
    (
        ('material = "white cloth"\nlit_by = ["key", "fill"]\n', 'material = "white cloth"\n'),
        "plan.toml:42: No lamp is said to light jacket",
    ),
    (
        ('name = "key"\nrole = "key"', 'name = "key"\nrole = "key"\n[[light]]\nname = "rim"'),
        "plan.toml:11: Rim lights no patch",
    ),
    (
        ('material = "white cloth"', 'material = "white cloth"\nzone = 8\nheadroom = 0.5'),
        "Jacket at Zone 8 with 0.5 stops of headroom lies above the clip line, Zone 7.94.",
    ),
    (
        ("box = [0.5, 0.7, 0.6, 0.8]", "box = [0.5, 0.5, 0.8, 0.8]"),
        "plan.toml:44: Jacket lies on a box of the backdrop.",
    ),
    (
        ("box = [0.5, 0.7, 0.6, 0.8]", "box = [0.5, 0.7, 0.95, 0.95]"),
        "plan.toml:44: Jacket lies on window, which is meant to clip.",
    ),
    (
        ("zone = 4\n", "zone = 5.6\n"),
        (
            "Lit cheek and shadow cheek have targets -0.1 to 0.9 stops apart as zones, and 2.0 as "
            "a ratio."
        ),
    ),
    (
        ("at_least = 1", "at_least = 3"),
        (
            "Lit cheek can lie 1.9 over backdrop at most, by their zones; the target between them "
            "is 3.0."
        ),
    ),
    (
        (
            "[[separation]]",
            '[[ratio]]\nlit = "shadow cheek"\nshadow = "lit cheek"\nstops = 1\n[[separation]]',
        ),
        "The ratio of shadow cheek to lit cheek has two targets, -2 and 1.",
    ),
]


@pytest.mark.parametrize(
    ("change", "words"),
    DOUBTS,
    ids=[row[1][:60] for row in DOUBTS],
)
def test_what_does_not_fit_is_said_with_its_figures(change: tuple[str, str], words: str) -> None:
    assert GOOD.count(change[0]) == 1

    said = told(GOOD.replace(*change))

    assert any(words in line for line in said), said
    assert all(line.startswith("plan.toml:") and line.endswith(".") for line in said)


def test_a_lamp_with_no_power_left_is_said_where_the_ratio_needs_it() -> None:
    text = GOOD.replace("meter = 6.3", "meter = 16").replace("power = -4", "power = -7.8")

    said = [line for line in told(text) if "to shadow cheek: the readings" in line]

    assert "Fill down 2.6; it has only 0.2 left, so move it" in said[0]


def test_key_and_fill_go_by_their_roles_where_lit_by_is_not_said() -> None:
    text = GOOD.replace('lit_by = ["key", "fill"]\n', "").replace('lit_by = ["fill"]\n', "")
    text = text.replace("meter = 6.3", "meter = 4")

    said = [line for line in told(text) if "the readings give" in line]

    assert "the readings give 3.2 stops" in said[0]
    assert "by their roles, since lit_by isn't said" in said[0]


# Lambert's law by hand: a key 60 round and 35 up gives a surface square to the camera 1.29 stop
# less than its meter says, so f/11 over f/8 lies anywhere from 0.9 to 1.6 stops, lit to shadow.
PLACED = GOOD.replace('role = "key"\n', 'role = "key"\noff_axis = 60\nelevation = 35\n')


def test_a_target_that_turned_surfaces_can_give_raises_no_doubt() -> None:
    text = PLACED.replace("meter = 6.3", "meter = 8").replace("stops = 2\n", "stops = 1\n")
    text = text.replace("zone = 4\n", "zone = 5\n")

    assert not [line for line in told(text) if "the readings give" in line]
    flat = text.replace("off_axis = 60\nelevation = 35\n", "")
    assert [line for line in told(flat) if "the readings give 1.6 stops" in line]


def test_how_far_turned_surfaces_reach_is_said_with_a_target_beyond() -> None:
    text = PLACED.replace("meter = 6.3", "meter = 8").replace("stops = 2\n", "stops = 3\n")

    said = [line for line in told(text) if "the readings give" in line]

    assert "Surfaces turned from their lamps make it 0.9 to 1.6." in said[0]


@pytest.mark.parametrize(("lens", "asked"), [(8, True), (11, False), (22, True)])
def test_the_keys_light_far_from_the_lens_is_asked_about_once(lens: float, asked: bool) -> None:
    text = GOOD.replace("f_number = 11", f"f_number = {lens}")
    text = text.replace('material = "skin"\n', "").replace('material = "white cloth"\n', "")

    said = [line for line in told(text) if "Set the lens to" in line]

    assert len(said) == int(asked)
    assert all("its lamps give f/11+0.4 together" in line for line in said)


def test_continuous_lamps_need_no_sync() -> None:
    text = GOOD.replace('shutter = "1/160"', 'shutter = "1/250"')
    text = text.replace("role = ", 'kind = "continuous"\nrole = ')

    assert not [line for line in told(text) if "sync" in line]


def test_a_frame_that_is_not_there_is_said(tmp_path: Path) -> None:
    file = tmp_path / "plan.toml"
    file.write_text('[[light]]\nname = "key"\n[frames.solo]\nkey = "F3.dng"\n', encoding="utf-8")

    found = check_plan(file)

    assert found.lines[-2] == (
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
    turned = re.search(r"Fill (up|down) ([0-9.]+)[,;.]", " ".join(told(text)))
    if turned is None:
        return
    change = float(turned[2]) * (1 if turned[1] == "up" else -1)
    ratio = (exact_f_number(key) / exact_f_number(fill)) ** 2 / 2.0**change + 1.0
    assert math.log2(ratio) == pytest.approx(round(target, 3), abs=0.06)

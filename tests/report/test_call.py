"""The call line: the wordings that were agreed, in 38 characters whatever the names are."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from stopwise.report.call import call_lines, worst_finding

from stopwise.conditions import CONDITIONS
from stopwise.wording import HEADLINE_WIDTH
from support.records import PLAN, finding, record, turned, unreadable

HELD = {"state": "holds", "cause": None}

# The wordings of the project's design, section "Look".
AGREED: list[tuple[str, dict[str, Any], tuple[str, str]]] = [
    (
        "all well",
        record(
            "on plan",
            finding("patch", "lit cheek", 6.5, 6.5, **HELD),
            finding("patch", "white jacket", 7.0, 7.0, within=[-0.4, 0.15], **HELD),
        ),
        ("On plan.", "Tightest: white jacket, 0.1 left."),
    ),
    (
        "key hot",
        record("off plan", finding("patch", "lit cheek", 6.9, 6.5, **turned("key", -0.4))),
        ("Lit cheek 0.4 over.", "Key down 0.4, to -2.4."),
    ),
    (
        "hot centre",
        record("off plan", finding("headroom", "cheekbone", 0.23, 0.5, **turned("key", -0.27))),
        ("Hot centre on the cheekbone.", "Feather the key, or key down 0.3."),
    ),
    (
        "lamp out",
        record(
            "off plan",
            finding("lamp", "hair", -6.0, 0.0, cause="lamp"),
            lamps={"hair": {"stops": None, "uncertainty": 0.1, "state": "out"}},
        ),
        ("Hair lamp did not fire.", "Stop. Check it, shoot again."),
    ),
    (
        "none fired",
        record("off plan", finding("lamp", "frame", -8.0, 0.0, cause="lamp")),
        ("No lamp fired.", "Check the trigger, shoot again."),
    ),
    (
        "knocked",
        record(
            "off plan",
            finding("exposure", "frame", 0.28, 0.0, cause="camera"),
            finding("setting", "f_number", 10.0, 11.0, cause="camera", unit="f-number"),
        ),
        ("All 0.3 over: f/10, plan f/11.", "Camera back to f/11."),
    ),
    (
        "sitter turned",
        record("off plan", finding("patch", "cheek", 6.9, 6.5, cause="sitter")),
        ("Cheek 0.4 over, lamps steady.", "Sitter has turned. Leave the lamps."),
    ),
    (
        "paper",
        record(
            "off plan",
            finding("backdrop", "backdrop left_right", -0.5, 0.0, **turned("right paper", -0.5)),
        ),
        ("Paper right 0.5 over left.", "Right paper lamp down 0.5, to -4.0."),
    ),
    (
        "not seen",
        record("on plan", finding("patch", "cheek", None, 6.5, state="not seen", cause=None)),
        ("Cheek not seen, rest on plan.", "Shoot on."),
    ),
]


@pytest.mark.parametrize(
    ("frame", "lines"), [case[1:] for case in AGREED], ids=[case[0] for case in AGREED]
)
def test_the_agreed_wordings_are_what_is_called(
    frame: dict[str, Any], lines: tuple[str, str]
) -> None:
    assert call_lines(frame, plan=PLAN) == lines


def test_a_lamp_that_had_not_recycled_is_called_with_the_time_since_the_last_frame() -> None:
    frame = record(
        "off plan",
        finding("lamp", "key", -0.7, 0.0, cause="lamp"),
        lamps={"key": {"stops": -0.7, "uncertainty": 0.03, "state": "weak"}},
    )
    assert call_lines(frame, plan=PLAN, since_last_s=0.6) == (
        "Key 0.7 weak, 0.6 s after the last.",
        "Wait for ready.",
    )


def test_a_lamp_that_is_out_is_called_before_any_tone() -> None:
    out = finding("lamp", "hair", None, 0.0)
    frame = record("off plan", finding("patch", "hair", 3.0, 6.0), out)
    assert worst_finding(frame) == out


def test_of_several_tones_the_judges_first_is_called() -> None:
    first, second = finding("patch", "hair", 3.0, 6.0), finding("clip", "hair", 0.2, 0.0)
    assert worst_finding(record("off plan", first, second)) == first


def test_a_lamp_turned_since_the_plan_is_called_from_where_it_stands_now() -> None:
    frame = record("off plan", finding("patch", "lit cheek", 6.9, 6.5, **turned("key", -0.4)))
    assert call_lines(frame, plan=PLAN, powers={"key": -2.5})[1] == "Key down 0.4, to -2.9."


@pytest.mark.parametrize(
    ("scale", "more", "line"),
    [
        ("stops", {}, "Key down 0.7, to -2.7."),
        ("fraction", {}, "Key down 0.7, to 1/8+0.3."),
        ("figure", {}, "Key down 0.7, to 7.3 of 10."),
        ("figure", {"full_reads": 7}, "Key down 0.7, to 4.3 of 7."),
        ("Ws", {"full_ws": 1200}, "Key down 0.7, to 189 Ws."),
    ],
)
def test_a_turn_is_rounded_to_the_packs_step_and_shown_on_its_scale(
    scale: str, more: dict[str, Any], line: str
) -> None:
    plan = PLAN.model_validate(
        {
            "schema": 1,
            "light": [{"name": "key", "power": -2.0, "step": 1 / 3, "scale": scale, **more}],
        }
    )
    frame = record("off plan", finding("patch", "lit cheek", 7.1, 6.5, **turned("key", -0.6)))
    assert call_lines(frame, plan=plan)[1] == line


def test_a_lamp_at_the_end_of_its_range_is_not_called_past_it() -> None:
    frame = record("off plan", finding("patch", "lit cheek", 4.0, 6.5, **turned("key", 2.5)))
    assert call_lines(frame, plan=PLAN)[1] == "Key is at full: move it nearer."


def test_without_a_plan_a_turn_names_no_power() -> None:
    frame = record("off plan", finding("patch", "lit cheek", 6.9, 6.5, **turned("key", -0.4)))
    assert call_lines(frame)[1] == "Key down 0.4."


def test_a_target_whose_lamps_are_not_lit_yet_is_not_called_missing() -> None:
    waiting = finding("patch", "hair", None, 6.0, state="not seen", cause=None, why="not_lit")
    assert call_lines(record("on plan", waiting)) == ("On plan.", "Shoot on.")


def test_what_lies_on_the_line_is_said_though_it_holds() -> None:
    edge = finding("patch", "hair", 6.31, 6.0, state="on the line", cause=None)
    assert call_lines(record("on plan", edge))[0] == "Hair on the line, on plan."


def test_a_margin_is_never_rounded_up() -> None:
    near = finding("patch", "hair", 6.04, 6.0, within=[-0.2, 0.2], **HELD)
    assert call_lines(record("on plan", near))[1] == "Tightest: hair, 0.1 left."


def test_every_condition_of_a_file_has_a_call_of_its_own() -> None:
    files = [row for row in CONDITIONS.values() if row.code < 200]
    calls = {row.name: call_lines(unreadable(f"{row.short}: detail")) for row in files}
    assert len({lines[0] for lines in calls.values()}) == len(files)
    assert not [name for name, lines in calls.items() if "look at the camera" in lines[1]]
    assert calls["cut_short"] == ("The file is cut short.", "Wait, or copy it again.")


names = st.text(min_size=1, max_size=80)
checks = st.sampled_from(
    [
        *("patch", "headroom", "clip", "blocked", "ratio", "separation", "backdrop", "blown"),
        *("pinpoints", "setting", "exposure", "shutter", "ambient", "lamp"),
    ]
)
numbers = st.none() | st.floats(-30, 30)
units = st.sampled_from(["stops", "zone", "fraction", "SNR"])


@st.composite
def findings(draw: st.DrawFn) -> dict[str, Any]:
    check = draw(checks)
    of = draw(names | st.tuples(names, names).map(" to ".join))
    turn = draw(st.none() | st.builds(turned, names, st.floats(-20, 20)))
    measured, planned = draw(numbers), draw(numbers)
    if check == "setting":
        of = draw(st.sampled_from(["iso", "f_number", "shutter"]))
        measured, planned = draw(st.floats(1e-4, 1e6)), draw(st.floats(1e-4, 1e6))
    return finding(
        check,
        of,
        measured,
        planned,
        unit=draw(units),
        state=draw(st.sampled_from(["holds", "fails", "on the line", "not seen"])),
        do=draw(st.text(max_size=60)),
        **(turn or {"cause": draw(st.sampled_from(["sitter", "unknown"]))}),
    )


@given(
    verdict=st.sampled_from(["on plan", "off plan", "can't tell", "measured", "unreadable"]),
    found=st.lists(findings(), max_size=4),
    reason=st.none() | st.text(max_size=80),
    since=st.none() | st.floats(0, 1e5),
)
def test_no_record_makes_a_line_longer_than_38_characters_or_steers_the_screen(
    verdict: str, found: list[dict[str, Any]], reason: str | None, since: float | None
) -> None:
    lines = call_lines(record(verdict, *found, reason=reason), plan=PLAN, since_last_s=since)
    assert all(0 < len(line) <= HEADLINE_WIDTH for line in lines)
    assert all(line.isprintable() for line in lines), lines


@pytest.mark.parametrize(
    ("name", "line"),
    [
        ("left sleeve of the white fencing jacket", "Left sleeve of the white… 0.4 over."),
        ("a" * 80, "A" + "a" * 26 + "… 0.4 over."),
    ],
)
def test_long_names_are_shortened_and_the_figure_is_kept(name: str, line: str) -> None:
    assert call_lines(record("off plan", finding("patch", name, 6.9, 6.5)))[0] == line


def test_what_a_turn_mends_is_called_before_what_none_does() -> None:
    blown = finding("blown", "frame", 0.02, 0.0, unit="fraction")
    cheek = finding("patch", "lit cheek", 7.3, 6.5, **turned("key", -0.8))
    assert worst_finding(record("off plan", blown, cheek)) == cheek


def test_a_limit_of_hundredths_is_never_the_tightest() -> None:
    uneven = finding("backdrop", "backdrop uneven", 0.049, 0.0, within=[None, 0.05], **HELD)
    hair = finding("patch", "hair", 6.1, 6.0, within=[-0.3, 0.3], **HELD)
    assert call_lines(record("on plan", uneven, hair))[1] == "Tightest: hair, 0.2 left."


def test_a_shutters_edge_is_called_with_its_side_and_the_speed_that_syncs() -> None:
    edge = finding("shutter", "frame", 0.14, 0.0, unit="fraction", cause="shutter")
    frame = record("off plan", edge, shutter={"edge_share": 0.14, "edge_side": "bottom"})
    lines = ("Shutter's edge at the bottom, 14 %.", "Shutter to 1/200 or slower.")
    assert call_lines(frame, plan=PLAN) == lines

"""Messages: what is said of each code, in one table; in 38 characters whatever the names are."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stopwise.codes import MESSAGES
from stopwise.conditions import CONDITIONS
from stopwise.findings import Detail, Finding, Knocked, Reason, Turn, Verdict, verdict_of
from stopwise.messages import (
    dial_headline,
    do,
    headline,
    headline_of,
    reason_text,
    say,
    told,
    turn_sentence,
)
from stopwise.part_lines import Unjudged
from stopwise.plan.model import Plan
from stopwise.report.compared_slip import comparison_headline
from stopwise.verdict.causes import turn_of
from stopwise.wording import HEADLINE_WIDTH
from support.any_finding import any_findings
from support.made_records import PLAN, finding, record, turn, turned, unreadable
from write_docs import FIELDS

if TYPE_CHECKING:
    from stopwise.findings import Answer

PAIR = {"lit": "lit cheek", "shadow": "shadow cheek"}
HAIR = {"lit": "hair", "shadow": "backdrop"}
SHARE: dict[str, Any] = {"unit": "fraction"}
UNSEEN: dict[str, Any] = {"state": "not seen"}
HELD: dict[str, Any] = {"state": "holds"}
F10 = {"knocked": Knocked("f_number", 10.0, 11.0)}
CREASE = "Look for a crease or a stray shadow."
PAPER = "Check the paper lamps."
SAME = ""
"""Where the headline is the sentence itself."""

Row = tuple[str, str, str, float | None, float | None, dict[str, Any], str, str, str]

# check, code, of, measured, planned, more; then what is said, what to do, the headline's first line
TOLD: list[Row] = [
    ("patch", "over", "lit cheek", 6.9, 6.5, {"lamps": ("key", "fill")},
     "Lit cheek 0.4 over.", "Check key and fill.", SAME),
    ("patch", "over", "lit cheek", 6.9, 6.5, {"lamps": ("key", "fill"), "advice": "solo"},
     "Lit cheek 0.4 over.", "Shoot the key alone, mark it.", SAME),
    ("patch", "over", "cheek", 6.9, 6.5, {"cause": "sitter"},
     "Cheek 0.4 over, lamps steady.", "Sitter has turned. Leave the lamps.", SAME),
    ("patch", "under", "crown", 5.6, 6.0,
     {"lamps": ("rim",), "advice": "way_back", "moved": (-0.018, 0.004)},
     "Crown 0.4 under.", "Sitter back to camera left, 2 %.", SAME),
    ("patch", "under", "hair", 4.8, 6.0, {"lamps": ("hair",)},
     "Hair 1.2 under.", "Check the hair lamp.", SAME),
    ("patch", "under", "hair", 4.8, 6.0, {},
     "Hair 1.2 under.", "Shoot again to be sure of the lamp.", SAME),
    ("patch", "not_seen", "jacket", None, 7.0, UNSEEN, "Jacket not seen.", "", SAME),
    ("patch", "not_seen", "cheek", None, 7.0, UNSEEN | {"why": "not_followed", "must_see": True},
     "Cheek not seen.", "Bring the sitter back to the mark.", SAME),
    ("headroom", "hot_centre", "cheekbone", 0.23, 0.5, {"lamps": ("key",), "at": (0.55, 0.4)},
     "Hot centre on the cheekbone, 55 % from the left, 40 % down: 0.2 from clip, target 0.5.",
     "Feather the key, or key down 0.3.", "Hot centre on the cheekbone."),
    ("headroom", "hot_centre", "brow", 0.23, 0.5, turned("key", -0.27),
     "Hot centre on the brow: 0.2 from clip, target 0.5.",
     "Feather the key, or key down 0.3.", "Hot centre on the brow."),
    ("headroom", "hot_centre", "brow", 0.23, 0.5, turned("key", -0.3, setting=-8.0),
     "Hot centre on the brow: 0.2 from clip, target 0.5.",
     "Feather the key, it is at its least.", "Hot centre on the brow."),
    ("headroom", "hot_centre", "brow", 0.23, 0.5, turned("key", -0.3) | {"material": "skin"},
     "Hot centre on the brow: 0.2 from clip, target 0.5.",
     "Feather key, powder, or key down 0.3.", "Hot centre on the brow."),
    ("headroom", "hot_centre", "brow", 0.23, 0.5,
     {"lamps": ("key",), "material": "skin", "advice": "feather"},
     "Hot centre on the brow: 0.2 from clip, target 0.5.",
     "Feather the key or powder it.", "Hot centre on the brow."),
    ("headroom", "hot_centre", "brow", 0.23, 0.5, {},
     "Hot centre on the brow: 0.2 from clip, target 0.5.",
     "Feather the lamp that lights it.", "Hot centre on the brow."),
    ("headroom", "near_clip", "jacket", 0.1, 0.3, {},
     "Jacket 0.1 from clip, target 0.3.", "Less light there.", "Jacket 0.1 from clip."),
    ("headroom", "not_seen", "jacket", None, 0.3, UNSEEN, "Jacket: headroom not seen.", "", SAME),
    ("clip", "blown", "jacket", 0.015, 0.0, SHARE,
     "Jacket blown, 1.5 % of it.", "Less light there.", SAME),
    ("clip", "clear", "jacket", 0.0, 0.0, SHARE | HELD, "Jacket holds no blown area.", "", SAME),
    ("texture", "rough", "jacket", 0.31, 0.2, {},
     "Jacket textured by 0.31 stop.", "Softer light there.", SAME),
    ("texture", "not_seen", "jacket", None, 0.2, UNSEEN, "Jacket: texture not seen.", "", SAME),
    ("blocked", "blocked", "mask", 0.4, 0.1, SHARE,
     "Mask blocked, 40 % of it.", "More light there, or let it go.", SAME),
    ("blocked", "noisy", "mask", 6.0, 10.0, {"unit": "SNR"},
     "Mask noisy: SNR 6, target 10.", "More light there, or open up.", "Mask is noisy."),
    ("blocked", "not_seen", "mask", None, 0.1, UNSEEN, "Mask: blocked share not seen.", "", SAME),
    ("ratio", "too_deep", "lit cheek to shadow cheek", 2.4, 2.0, PAIR,
     "Shadow cheek 0.4 too deep against lit cheek.", "Fill up a little.",
     "Shadow cheek 0.4 too deep."),
    ("ratio", "too_open", "lit cheek to shadow cheek", 1.4, 2.0, PAIR,
     "Shadow cheek 0.6 too open against lit cheek.", "Fill down a little.",
     "Shadow cheek 0.6 too open."),
    ("ratio", "not_seen", "lit cheek to shadow cheek", None, 2.0, UNSEEN | PAIR,
     "Ratio of lit cheek to shadow cheek not seen.", "",
     "Ratio of lit che… to shadow… not seen."),
    ("separation", "stands_off", "hair to backdrop", 0.3, 0.7, HAIR,
     "Hair stands 0.3 over backdrop, target 0.7.", "More light on the hair.",
     "Hair 0.4 too near backdrop."),
    ("separation", "not_seen", "hair to backdrop", None, 0.7, UNSEEN | HAIR,
     "Hair against backdrop not seen.", "", SAME),
    ("backdrop", "over", "backdrop zone", 4.9, 4.5, {"figure": "zone"},
     "Paper 0.4 over.", PAPER, SAME),
    ("backdrop", "under", "backdrop zone", 4.0, 4.5, {"figure": "zone"},
     "Paper 0.5 under.", PAPER, SAME),
    ("backdrop", "left_over_right", "backdrop left_right", 0.5, 0.0, {"figure": "left_right"},
     "Paper left 0.5 over right.", PAPER, SAME),
    ("backdrop", "right_over_left", "backdrop left_right", -0.5, 0.0,
     {"figure": "left_right"}, "Paper right 0.5 over left.", PAPER, SAME),
    ("backdrop", "too_steep", "backdrop falloff", 1.5, 0.9, {"figure": "falloff"},
     "Paper falls off 1.5, 0.6 too steep.", PAPER, SAME),
    ("backdrop", "too_flat", "backdrop falloff", 0.3, 0.9, {"figure": "falloff"},
     "Paper falls off 0.3, 0.6 too flat.", PAPER, SAME),
    ("backdrop", "uneven", "backdrop uneven", 0.08, 0.0, {"figure": "uneven"},
     "Paper uneven by 0.08 stop.", PAPER, SAME),
    ("backdrop", "bright_blotch", "backdrop blotch", 0.31, 0.0,
     {"figure": "blotch", "at": (0.8, 0.3)},
     "Bright blotch of 0.3 on the paper, 80 % from the left, 30 % down.", CREASE,
     "Bright blotch of 0.3 on the paper."),
    ("backdrop", "dark_blotch", "backdrop blotch", -0.31, 0.0,
     {"figure": "blotch", "at": (0.8, 0.3)},
     "Dark blotch of 0.3 on the paper, 80 % from the left, 30 % down.", CREASE,
     "Dark blotch of 0.3 on the paper."),
    ("backdrop", "tinted", "backdrop tint", 0.13, 0.0, {"figure": "tint"},
     "Paper tinted left against right by 0.13 stop.", "Check gels and lamps' ages.",
     "Paper's colour off by 0.13."),
    ("backdrop", "not_seen", "backdrop falloff", None, 0.9, UNSEEN | {"figure": "falloff"},
     "Backdrop falloff not seen.", "", SAME),
    ("blown", "blown", "frame", 0.021, 0.0,
     SHARE | {"at": (0.1, 0.9), "where": (0.05, 0.85, 0.15, 0.95)},
     "Blown area of 2.1 %, 10 % from the left, 90 % down.", "Less light there, or let it clip.",
     "Blown area bottom left, 2.1 %."),
    ("blown", "blown", "frame", 0.021, 0.0,
     SHARE | {"at": (0.6, 0.5), "where": (0.55, 0.45, 0.65, 0.55), "near": "jacket"},
     "Blown area of 2.1 % by the jacket, 60 % from the left, 50 % down.",
     "Less light there, or let it clip.", "Blown area by the jacket, 2.1 %."),
    ("blown", "clear", "frame", 0.0, 0.0, SHARE | HELD, "No blown area outside patches.", "", SAME),
    ("blown", "may_be_clipped", "frame", None, None, SHARE | UNSEEN | {"share": 0.4},
     "Up to 40 % of the frame may be blown.", "Shoot one 2 over, say expect clip.",
     "Up to 40 % may be blown."),
    ("pinpoints", "blown", "frame", 0.002, 0.001, SHARE | {"count": 40},
     "40 pinpoints cover 0.2 % of the frame.", "Find the glints: move or dull them.",
     "Pinpoints cover 0.2 %."),
    ("pinpoints", "blown", "frame", 0.00001, 0.001, SHARE | HELD | {"count": 1},
     "1 pinpoint covers 0.001 % of the frame.", "", "Pinpoints cover 0.001 %."),
    ("pinpoints", "clear", "frame", 0.0, 0.001, SHARE | HELD, "No pinpoints.", "", SAME),
    ("setting", "setting", "f_number", 10.0, 11.0, F10,
     "Aperture at f/10, plan f/11.", "Camera back to f/11.", "All 0.3 over: f/10, plan f/11."),
    ("setting", "setting", "iso", 200.0, 100.0, {"knocked": Knocked("iso", 200.0, 100.0)},
     "Sensitivity at ISO 200, plan ISO 100.", "Camera back to ISO 100.",
     "All 1.0 over: ISO 200, plan ISO 100."),
    ("setting", "setting", "shutter", 1 / 60, 1 / 160,
     {"knocked": Knocked("shutter", 1 / 60, 1 / 160)},
     "Shutter at 1/60, plan 1/160.", "Camera back to 1/160.", "Shutter 1/60, plan 1/160."),
    ("setting", "as_asked", "shutter", 1 / 80, 1 / 160,
     HELD | {"knocked": Knocked("shutter", 1 / 80, 1 / 160)},
     "Shutter at 1/80, as asked.", "", SAME),
    ("setting", "not_seen", "iso", None, 100.0, UNSEEN,
     "The file doesn't say its sensitivity.", "", SAME),
    ("exposure", "over", "frame", 0.3, 0.0, {},
     "All 0.3 over.", "Turn all lamps down 0.3.", SAME),
    ("exposure", "under", "frame", -0.3, 0.0, {},
     "All 0.3 under.", "Turn all lamps up 0.3.", SAME),
    ("exposure", "knocked", "frame", 0.28, 0.0, F10,
     "All 0.3 over: f/10, plan f/11.", "Camera back to f/11.", SAME),
    ("shutter", "edge", "frame", 0.14, 0.0, SHARE | {"side": "bottom", "shutter_s": 1 / 200},
     "Shutter's edge covers 14 % at the bottom.", "Shutter to 1/200 or slower.",
     "Shutter's edge at the bottom, 14 %."),
    ("shutter", "slope", "frame", 0.4, 0.0, {"shutter_s": 1 / 125},
     "Light slopes 0.4 along the shutter's travel.", "Shoot one at 1/125, leave the lamps.",
     "Light slopes 0.4 with the shutter."),
    ("shutter", "slope", "frame", 0.4, 0.0, {"shutter_s": 1 / 125, "advice": "stay_slower"},
     "Light slopes 0.4 along the shutter's travel.", "Shutter to 1/125, leave the paper lamps.",
     "Light slopes 0.4 with the shutter."),
    ("ambient", "over", "frame", 0.3, 0.1, {}, "Room light reaches 0.3.", "Darken the room.", SAME),
    ("lamp", "none_fired", "all", None, None, {},
     "No lamp fired.", "Check the trigger, shoot again.", SAME),
    ("lamp", "out", "hair", None, 0.0, {},
     "Hair lamp did not fire.", "Stop. Check it, shoot again.", SAME),
    ("lamp", "likely_out", "hair", None, 0.0, {},
     "Hair lamp likely did not fire.", "Check it, shoot again.", SAME),
    ("lamp", "weak", "fill", -0.7, 0.0, {},
     "Fill 0.7 weak.", "Check its power, await ready.", SAME),
    ("lamp", "weak", "fill", -0.7, 0.0, {"advice": "ask"},
     "Fill 0.7 weak.", "Was that you? Say: take yes.", SAME),
    ("lamp", "strong", "fill", 0.7, 0.0, {}, "Fill 0.7 strong.", "Check its power.", SAME),
    ("lamp", "not_ready", "key", -0.7, 0.0, {"since_s": 0.6},
     "Key 0.7 weak, 0.6 s after the last.", "Wait for ready.", SAME),
    ("lamp", "not_dumped", "key", 0.7, 0.0, {},
     "Key still at the old power: not dumped.", "Fire it once, shoot again.",
     "Key at the old power: not dumped."),
    ("lamp", "old_power", "key", 0.7, 0.0, {},
     "Key still at the old power.", "Check its power, shoot again.", SAME),
    ("lamp", "out_of_spot", "hair", None, None, {"moved": (0.06, 0.0)},
     "Sitter is out of the hair lamp's spot.", "Sitter back to camera right, 6 %.", SAME),
    ("lamp", "beyond_light", "key", 0.07, 0.04, {},
     "Sitter moves 7 %, the spot gives 4 %.", "Widen the key, or mark the floor.", SAME),
    ("lamp", "spot_moved", "hair", 0.05, None,
     {"moved": (0.0, 0.05), "held": "boom", "overhead": True},
     "Hair lamp's spot dropped about 5 % of frame.", "Step away. Check the boom, secure it.",
     "Hair lamp's spot dropped 5 %."),
    ("lamp", "spot_moved", "key", 0.05, None, {"moved": (-0.05, 0.01), "held": "stand"},
     "Key's spot went left about 5 % of frame.", "Check its stand.",
     "Key's spot went left 5 %."),
]  # fmt: skip


ISO200 = {"knocked": Knocked("iso", 200.0, 100.0)}
COLOUR: dict[str, Any] = {"lamps": ("key",), "turned_stops": -1.0}
LEVEL = "Level its colour afterwards, or turn it less and move the lamp."
AWAY = {"moved": (0.05, -0.02), "scale": 1.05}
WITH_TAKE, AT_CAMERA = "Compare it with its take.", "Look at the aperture and packs."

# what comparisons and runs say: check, code, of, measured, planned, more; the sentence, what to do
CHANGED: list[tuple[str, str, str, float | None, float | None, dict[str, Any], str, str]] = [
    ("setting", "changed_taken_out", "f_number", 0.3, None, F10,
     "Aperture f/11 to f/10: 0.3 more, taken out.", ""),
    ("setting", "changed_in_part", "iso", -1.0, None, ISO200,
     "Sensitivity ISO 100 to ISO 200: 1.0 less, taken out of what burns all the time.", ""),
    ("setting", "changed_left_in", "shutter", 1.0, None,
     {"knocked": Knocked("shutter", 1 / 80, 1 / 160)},
     "Shutter 1/160 to 1/80: 1.0 more, left in: what of the light is ambient isn't known.", ""),
    ("setting", "framing_changed", "framing", 0.05, None, AWAY,
     "The framing changed: 5 % right, 2 % up, 5 % larger.",
     "Patches that don't follow hold other things now and aren't compared."),
    ("setting", "sitter_moved", "framing", 0.05, None, {"moved": (-0.05, 0.0)},
     "The sitter moved: 5 % left.",
     "The sitter's patches moved too; the lamps are no cause of that."),
    ("setting", "something_moved", "framing", 0.0, None, {},
     "Sitter or framing moved.",
     "Hold patch figures loosely: they may lie in another part of the light."),
    ("setting", "camera_moved", "framing", 0.03, None,
     HELD | {"moved": (-0.03, 0.0), "patches": ("paper", "chip")},
     "Camera moved: picture 3 % left.", "Boxes of paper and chip follow."),
    ("setting", "off_mark", "framing", 0.04, None, HELD | {"moved": (-0.04, 0.01)},
     "Sitter to camera left, 4 % of frame.", "Shoot on."),
    ("setting", "off_mark", "framing", 0.05, None,
     HELD | {"moved": (0.01, -0.05), "lamps": ("key", "fill", "hair")},
     "Sitter higher, 5 % of frame.", "Key, fill, hair not read."),
    ("setting", "no_boxes", "framing", None, None, UNSEEN | {"camera_held": "upright"},
     "Camera upright: no boxes for it.", "Make a look: look upright --new."),
    ("lamp", "not_seen", "hair", None, None, UNSEEN, "Hair lamp not seen on both sides.", ""),
    ("lamp", "changed", "hair", 0.5, None, {}, "Hair lamp up 0.5.", ""),
    ("lamp", "changed", "hair", 0.02, None, {}, "Hair lamp unchanged.", ""),
    ("lamp", "as_said", "key", -0.5, -0.5, {}, "Key down 0.5, as said.", ""),
    ("lamp", "near_said", "key", -0.5, -0.4, {}, "Key down 0.5, said was down 0.4.", ""),
    ("lamp", "off_said", "key", -0.5, -0.2, {}, "Key down 0.5, said was down 0.2.", ""),
    ("lamp", "off_said", "key", -0.5, -0.2, turned("key", 0.3),
     "Key down 0.5, said was down 0.2.", "Key up 0.3, to -1.7."),
    ("lamp", "nobody_turned", "key", -0.5, 0.0, {},
     "Key down 0.5, and nobody turned it.", "Look at the key's power and stand."),
    ("lamp", "not_turned", "key", 0.0, -0.5, {}, "Key still at the old power.", ""),
    ("lamp", "less_red", "key", 0.12, None, COLOUR,
     "Key down 1.0: its light 0.12 less red (R/G).", LEVEL),
    ("lamp", "redder", "key", 0.12, None, COLOUR,
     "Key down 1.0: its light 0.12 redder (R/G).", LEVEL),
    ("lamp", "less_blue", "key", 0.12, None, COLOUR,
     "Key down 1.0: its light 0.12 less blue (B/G).", LEVEL),
    ("lamp", "bluer", "key", 0.12, None, COLOUR,
     "Key down 1.0: its light 0.12 bluer (B/G).", LEVEL),
    ("patch", "changed", "hair", 0.5, None, {}, "Hair up 0.5.", ""),
    ("patch", "changed_over", "hair", 0.5, 0.2, {},
     "Hair up 0.5, 0.3 over what its lamps gave.", ""),
    ("patch", "changed_under", "hair", 0.2, 0.5, {},
     "Hair up 0.2, 0.3 under what its lamps gave.", ""),
    ("exposure", "changed", "frame", 0.4, None, {}, "Everything up 0.4, settings taken out.", ""),
    ("lamp", "single", "fill", -0.4, None, {},
     "Fill 0.4 down in this frame.", "Leave this frame out, and wait longer for ready."),
    ("lamp", "single", "fill", 0.4, None, {},
     "Fill 0.4 up in this frame.", "Leave this frame out."),
    ("lamp", "step", "fill", 0.4, None, {}, "Fill 0.4 up from here on.",
     "If that was you, begin a take; else look at the fill's power and stand."),
    ("lamp", "drift", "hair", -0.4, None, {},
     "Hair lamp 0.4 down little by little.", "Let the hair lamp cool, or set its power again."),
    ("patch", "single", "brow", -0.4, None, {}, "Brow 0.4 down in this frame.", WITH_TAKE),
    ("patch", "step", "brow", 0.4, None, {"lamps_steady": True},
     "Brow 0.4 up from here on, lamps steady.", WITH_TAKE),
    ("patch", "drift", "brow", -0.4, None, {}, "Brow 0.4 down little by little.", WITH_TAKE),
    ("exposure", "single", "frame", -0.4, None, {},
     "Everything 0.4 down in this frame.", AT_CAMERA),
    ("exposure", "step", "frame", 0.4, None, {}, "Everything 0.4 up from here on.", AT_CAMERA),
    ("exposure", "drift", "frame", -0.4, None, {},
     "Everything 0.4 down little by little.", AT_CAMERA),
]  # fmt: skip


MENDED: list[tuple[Finding, Turn, tuple[str, str]]] = [
    (
        finding("patch", "over", "lit cheek", 6.9, 6.5),
        turn("key", -0.4),
        ("Key 0.4 high. Lit cheek 0.4 over.", "Key down 0.4, to -2.4."),
    ),
    (
        finding("patch", "under", "lit cheek", 6.0, 6.5),
        turn("key", 0.5, setting=-0.2),
        ("Key 0.5 low. Lit cheek 0.5 under.", "Key up 0.2 to full, move it nearer."),
    ),
    (
        finding("patch", "under", "lit cheek", 6.0, 6.5),
        turn("key", 0.5, setting=0.0),
        ("Key 0.5 low. Lit cheek 0.5 under.", "Key is at full: move it nearer."),
    ),
    (
        finding("patch", "over", "lit cheek", 7.0, 6.5),
        turn("key", -0.5, setting=-8.0),
        ("Key 0.5 high. Lit cheek 0.5 over.", "Key is at its least: move it back."),
    ),
    (
        finding("clip", "blown", "jacket", 0.015, 0.0, unit="fraction"),
        turn("key", -0.8),
        ("Key 0.8 high. Jacket blown.", "Key down 0.8, to -2.8."),
    ),
    (
        finding("headroom", "hot_centre", "brow", 0.23, 0.5),
        turn("key", -0.3),
        ("Hot centre on the brow.", "Feather the key, or key down 0.3."),
    ),
    (
        finding("headroom", "hot_centre", "brow", 0.23, 0.5),
        turn("key", -0.3, setting=-8.0),
        ("Hot centre on the brow.", "Feather the key, it is at its least."),
    ),
    (
        finding("backdrop", "right_over_left", "", -0.5, 0.0, figure="left_right"),
        turn("right paper", -0.5),
        ("Right paper 0.5 high.", "Right paper lamp down 0.5, to -4.0."),
    ),
]
"""What a turn mends, the turn, and the headline: the lamp first, then what it does."""


@pytest.mark.parametrize(("found", "turn", "lines"), MENDED)
def test_a_lamp_is_told_before_what_it_does(
    found: Finding, turn: Turn, lines: tuple[str, str]
) -> None:
    assert headline_of(found, turn) == lines


@pytest.mark.parametrize(
    "row", CHANGED, ids=[f"{row[0]} {row[1]} {number}" for number, row in enumerate(CHANGED)]
)
def test_what_changed_is_said_as_the_table_says(row: Any) -> None:
    check, code, of, measured, planned, more, sentence, advice = row
    found = finding(check, code, of, measured, planned, **more)
    assert (say(found), do(found)) == (sentence, advice)


@pytest.mark.parametrize(
    "row", TOLD, ids=[f"{row[0]} {row[1]} {number}" for number, row in enumerate(TOLD)]
)
def test_each_code_is_said_as_the_table_says(row: Row) -> None:
    check, code, of, measured, planned, more, sentence, advice, first = row
    found = finding(check, code, of, measured, planned, **more)  # type: ignore[arg-type]
    assert (say(found), do(found)) == (sentence, advice)
    assert headline_of(found)[0] == (first or sentence)
    second = headline_of(found)[1]
    assert second == advice if len(advice) <= HEADLINE_WIDTH else advice.startswith(second[:-1])


@pytest.mark.parametrize(
    "lamp", ["key", "hair", "キー", "paper left", "key through a honeycomb grid"]
)
@pytest.mark.parametrize("material", ["skin", "white cloth"])
def test_a_hot_centre_says_by_how_much_its_lamp_goes_down_whatever_that_is_called(
    lamp: str, material: str
) -> None:
    hot = finding("headroom", "hot_centre", "lit cheek", 0.2, 0.5, state="fails")
    hot = replace(hot, detail=replace(hot.detail, material=material, lamps=(lamp,)))

    advice = headline_of(hot)[1]
    assert len(advice) <= HEADLINE_WIDTH
    assert advice.startswith("Feather ")
    assert advice.endswith("down 0.3.")


def test_every_code_of_every_check_stands_in_the_table() -> None:
    assert {(row[0], row[1]) for row in (*TOLD, *CHANGED)} == set(MESSAGES)


def test_the_page_of_messages_explains_every_field_of_a_template() -> None:
    templates = [text for one in MESSAGES.values() for text in (one.say, one.do, *one.headline)]
    used = {field for text in templates for field in re.findall(r"{(\w+)}", text)}
    assert used <= {name for row in FIELDS for name in row.split(", ")}


def test_the_lamp_that_gains_most_leads_behind_misfires_and_what_no_turn_mends_behind_it() -> None:
    """One turn a headline, the first; and each turn is told once, at the worst that it mends."""
    cheek = finding("patch", "over", "cheek", 6.9, 6.5, cause="sitter", material="skin")
    brow = finding("patch", "over", "brow", 7.3, 6.9, explained_by="key", material="skin")
    jacket = finding("patch", "under", "jacket", 6.0, 7.0, explained_by="fill")
    mask = finding("patch", "over", "mask", 3.4, 2.9, explained_by="key")
    turns = (turn("key", -0.4), turn("fill", 1.0))
    verdict = verdict_of([mask, jacket, cheek, brow], turns)
    assert headline(verdict) == ("Key 0.4 high. Brow 0.4 over.", "Key down 0.4, to -2.4.")
    assert [(one.of, advice) for one, advice in told(verdict)] == [
        ("brow", "Key down 0.4, to -2.4."),
        ("cheek", "Sitter has turned. Leave the lamps."),
        ("jacket", turn_sentence(turns[1])),
        ("mask", ""),
    ]
    out = finding("lamp", "out", "hair", None, 0.0)
    assert headline(verdict_of([out, brow], turns))[0] == "Hair lamp did not fire."


@pytest.mark.parametrize(
    ("verdict", "findings", "lines"),
    [
        ("on plan", [], ("On plan.", "Shoot on.")),
        (
            "on plan",
            [
                finding("patch", "over", "lit cheek", 6.5, 6.5, **HELD),
                finding("patch", "over", "jacket", 7.0, 7.0, within=(-0.4, 0.15), **HELD),
            ],
            ("On plan.", "Tightest: jacket, 0.1 left."),
        ),
        (
            "on plan",  # a margin is never rounded up
            [finding("patch", "over", "hair", 6.04, 6.0, within=(-0.2, 0.2), **HELD)],
            ("On plan.", "Tightest: hair, 0.1 left."),
        ),
        (
            "on plan",  # a limit of hundredths is never the tightest
            [
                finding("backdrop", "uneven", "", 0.049, 0.0, figure="uneven", **HELD),
                finding("patch", "over", "hair", 6.0, 6.0, within=(-0.3, 0.3), **HELD),
            ],
            ("On plan.", "Tightest: hair, 0.3 left."),
        ),
        (
            "on plan",
            [finding("patch", "over", "hair", 6.2, 6.0, state="on the line")],
            ("Hair on the line, on plan.", "Shoot on."),
        ),
        (
            "on plan",
            [finding("patch", "not_seen", "cheek", **UNSEEN)],
            ("Cheek not seen, rest on plan.", "Shoot on."),
        ),
        (
            "on plan",  # what waits for its lamps isn't missing
            [finding("patch", "not_seen", "hair", why="not_lit", **UNSEEN)],
            ("On plan.", "Shoot on."),
        ),
        (
            "can't tell",
            [finding("patch", "not_seen", of, **UNSEEN) for of in ("cheek", "brow")],
            ("2 targets not seen, can't tell.", "Shoot again."),
        ),
        ("can't tell", [], ("Can't tell.", "Shoot again.")),
    ],
)
def test_the_headline_of_each_verdict(
    verdict: Answer, findings: list[Finding], lines: tuple[str, str]
) -> None:
    assert headline(Verdict(verdict, tuple(findings))) == lines


def test_a_frame_that_is_not_judged_says_its_ratio_and_what_is_blown_and_why() -> None:
    assert headline(Verdict("measured"), Unjudged(ratio_stops=2.1)) == (
        "Lit to shadow 2.1, nothing blown.",
        "Measured only: no targets in a plan.",
    )
    part = Verdict("measured", reason=Reason("own_frame", ("clean plate",)))
    assert headline(part, Unjudged(blown=0.02)) == ("Blown 2 %.", "Clean plate: measured only.")
    doubted = headline(Verdict("measured"), Unjudged(may_be=0.4))[0]
    assert doubted == "Up to 40 % may be blown."
    refused = Verdict("measured", reason=Reason("refused", ("grey",), "the box is blown"))
    assert headline(refused)[1] == "Not taken as grey."


ZONES = {"cheek": 6.1, "jacket": 6.7, "mask": 1.2, "hand": None}


@pytest.mark.parametrize(
    ("role", "lamp", "value", "unjudged", "lines"),
    [
        ("solo", "key", None, Unjudged(zones=ZONES),
         ("Key alone: cheek 6.1, jacket 6.7.", "Good solo.")),
        ("solo", "hair", None, Unjudged(zones=ZONES, blown=0.02),
         ("Hair lamp alone: jacket 6.7.", "Blown, 2 %: turn it down.")),
        ("solo", "key", None, Unjudged(),
         ("Key alone: no patch seen.", "Draw one that it lights.")),
        ("grey", None, 0.1273, Unjudged(),
         ("Grey card: mid-grey 0.127, set.", "Zones stand on it, at this ISO.")),
        ("grey", None, None, Unjudged(),
         ("Grey card: mid-grey not set.", "Say stopwise grey, with its box.")),
        ("ambient", None, -5.2, Unjudged(),
         ("Ambient: 5.2 under.", "It is taken out of every solo.")),
        ("plate", None, 0.031, Unjudged(),
         ("Paper bare: even to 0.03.", "It shows the paper behind the sitter.")),
        ("white card", "key", None, Unjudged(),
         ("Nothing blown.", "White card of key: measured only.")),
    ],
)  # fmt: skip
def test_a_frame_of_the_plan_says_what_it_came_to(role, lamp, value, unjudged, lines) -> None:
    of = ("white card of key",) if role == "white card" else ("its part",)
    reason = Reason("own_frame", of, role=role, lamp=lamp, value=value)
    assert headline(Verdict("measured", reason=reason), unjudged) == lines


def test_every_condition_of_a_file_has_a_headline_of_its_own() -> None:
    files = [row for row in CONDITIONS.values() if row.code < 200]
    told = {row.name: unreadable(row.name).headline for row in files}
    assert len({lines[0] for lines in told.values()}) == len(files)
    assert not [name for name, lines in told.items() if "look at the camera" in lines[1]]
    assert told["cut_short"] == ("The file is cut short.", "Wait, or copy it again.")
    assert unreadable(None).headline[0] == "The file can't be read."


@pytest.mark.parametrize(
    ("reason", "words"),
    [
        (Reason("must_see", ("cheek", "brow")), "must be seen, and isn't: cheek, brow"),
        (Reason("material_not_seen", ("skin",)), "no patch of skin is seen"),
        (Reason("may_be_clipped"), "more may be blown than the plan allows"),
        (Reason("nothing_seen"), "nothing that the plan asks for is seen"),
        (
            Reason("no_boxes", ("upright",)),
            "the camera is upright, and no boxes of the plan are for that",
        ),
        (Reason("open", ("cheek",)), "targets are open until a frame is adopted: cheek"),
        (Reason("own_frame", ("ambient",)), "the plan's own frame: ambient"),
        (Reason("refused", ("grey",), "it is blown"), "not taken as grey: it is blown"),
        (Reason("file", (), "10 of 100 bytes", "cut_short"),
         "the file is cut short: 10 of 100 bytes"),
        (Reason("file"), "it can't be read"),
    ],
)  # fmt: skip
def test_each_reason_is_said(reason: Reason, words: str) -> None:
    assert reason_text(reason) == words


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
    light = {"name": "key", "power": -2.0, "step": 1 / 3, "scale": scale, **more}
    [key] = Plan.model_validate({"schema": 1, "light": [light]}).lights
    turn = turn_of(key, -0.6, -2.0)
    assert turn is not None
    assert turn_sentence(turn) == line


def test_a_turn_counts_from_where_the_lamp_stands_and_names_no_power_that_nobody_knows() -> None:
    [key, *_] = PLAN.lights
    now = turn_of(key, -0.4, -2.5)
    assert now is not None
    assert turn_sentence(now) == "Key down 0.4, to -2.9."
    assert turn_sentence(Turn("key", -0.4)) == "Key down 0.4."
    pack = Turn("key", 0.3, -2.0, "to 1/4", together=("hair", "fill"))
    assert turn_sentence(pack) == "Key, hair lamp and fill up 0.3, to 1/4."


@pytest.mark.parametrize(
    ("name", "line"),
    [
        ("left sleeve of the white fencing jacket", "Left sleeve of the white… 0.4 over."),
        ("a" * 80, "A" + "a" * 26 + "… 0.4 over."),
    ],
)
def test_long_names_are_shortened_and_the_figure_is_kept(name: str, line: str) -> None:
    assert headline_of(finding("patch", "over", name, 6.9, 6.5))[0] == line


def test_the_order_of_the_record_is_that_of_the_headline() -> None:
    """Record and headline say first what the one order puts first."""
    findings = [
        finding("patch", "over", "hair", 7.0, 6.0, material="hair"),
        finding("shutter", "edge", "frame", 0.14, 0.0, side="top"),
        finding("lamp", "out", "fill", None, 0.0),
        finding("setting", "setting", "f_number", 10.0, 11.0, **F10),
        finding("lamp", "weak", "key", -0.7, 0.0),
    ]
    verdict = verdict_of(findings)
    frame = record().with_verdict(verdict)
    assert frame.headline == headline_of(verdict.findings[0])
    assert [(one["check"], one["of"]) for one in frame.to_json()["findings"]] == [
        ("lamp", "fill"),
        ("setting", "f_number"),
        ("shutter", "frame"),
        ("lamp", "key"),
        ("patch", "hair"),
    ]


names = st.text(min_size=1, max_size=80)


@given(
    found=any_findings(), answer=st.sampled_from(["on plan", "off plan", "can't tell", "measured"])
)
def test_no_finding_makes_a_line_longer_than_38_characters_or_steers_the_screen(
    found: Finding, answer: Answer
) -> None:
    for lines in (headline_of(found), headline(Verdict(answer, (found,)))):
        assert all(len(line) <= HEADLINE_WIDTH for line in lines), lines
        assert lines[0]
        assert all(line.isprintable() for line in lines), lines
    for sentence in (say(found), do(found)):
        assert sentence.isprintable(), sentence


@given(names, st.sampled_from(["own_frame", "refused", "must_see"]))
def test_no_reason_makes_a_longer_line_either(name: str, code: Any) -> None:
    for lines in (
        headline(Verdict("measured", reason=Reason(code, (name,), name))),
        headline(Verdict("can't tell", reason=Reason(code, (name,), name))),
    ):
        assert all(0 < len(line) <= HEADLINE_WIDTH and line.isprintable() for line in lines)


def lamp_change(name: str, stops: float | None, *, said: float | None = None) -> Finding:
    """Return what a comparison says of one lamp."""
    code: Any = "not_seen" if stops is None else "changed" if said is None else "as_said"
    state: Any = "not seen" if stops is None else "holds"
    return Finding("lamp", name, code, state, measured=stops, planned=said, uncertainty=0.02)


NO_SOLOS = "No solos, so no lamp is named."
FRAMING = Finding(
    "setting", "framing", "sitter_moved", "on the line", 0.1, detail=Detail(moved=(0.1, 0.0))
)
SHIFTED = Finding(
    "lamp", "key red_green", "redder", "on the line", 0.08,
    detail=Detail(lamps=("key",), turned_stops=-2.0),
)  # fmt: skip


@pytest.mark.parametrize(
    ("findings", "patches", "lines"),
    [
        ([lamp_change("key", -0.5, said=-0.5)], {},
         ("Key down 0.5, as said.", "All else as it was.")),
        ([lamp_change("key", -0.5), lamp_change("hair", 0.3)], {},
         ("Key down 0.5.", "Other lamps changed too.")),
        ([lamp_change("key", 0.01), lamp_change("hair", None)], {},
         ("No lamp changed.", "Not seen: hair lamp.")),
        ([lamp_change("key", None)], {}, ("No lamp changed.", "No lamp can be read.")),
        ([lamp_change("key", -0.5), SHIFTED], {},
         ("Key down 0.5.", "All else as it was.")),
        ([FRAMING, lamp_change("key", 0.0)], {},
         ("The sitter moved: 10 % right.", "All else as it was.")),
        ([], {"cheek": 0.4, "jacket": -0.6}, ("Most: jacket -0.6.", NO_SOLOS)),
        ([], {"cheek": 0.02}, ("No patch changed.", NO_SOLOS)),
        ([], {"cheek": None}, ("No patch is seen on both sides.", NO_SOLOS)),
    ],
)  # fmt: skip
def test_a_comparison_says_at_a_glance_what_changed(
    findings: list[Finding], patches: dict[str, float | None], lines: tuple[str, str]
) -> None:
    assert comparison_headline(findings, patches) == lines


@pytest.mark.parametrize(
    ("turns", "unmet", "lines"),
    [
        ([], 0, ("Leave every lamp as it is.", "Every target is met then.")),
        ([Turn("hair", 0.3, -2.0, "to -2.0")], 1,
         ("Hair lamp up 0.3, to -2.0.", "One target stays unmet.")),
        ([Turn("key", 0.3), Turn("fill", -0.2)], 2, ("Turn 2 lamps.", "2 targets stay unmet.")),
    ],
)  # fmt: skip
def test_dialling_says_at_a_glance_what_to_turn(
    turns: list[Turn], unmet: int, lines: tuple[str, str]
) -> None:
    assert dial_headline(turns, unmet=unmet) == lines

"""What a failed finding says on the call line: one small function for each check."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from stopwise.judging.wording import f_text, over_or_under, share_text, shutter_text, stops_text
from stopwise.report.words import CALL_WIDTH, fitted, in_steps, lamp_name, power_text, shown

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.plan.model import Light, Plan

Finding = dict[str, Any]
Call = tuple[str, str]

ALL_LAMPS = frozenset(("frame", "all", "trigger"))
"""What a lamp finding is about when no lamp fired at all."""

_OUT_STOPS = math.log2(1 / 6)
"""A lamp that gives less than this of what is expected is out."""

_CHECKS_FIRST = ("lamp", "shutter", "setting", "exposure", "ambient")
"""Checks that are called before others, as they spoil all that follows."""


@dataclass(frozen=True, slots=True)
class Scene:
    """What is known around a finding.

    Attributes
    ----------
    record
        The frame's JSON record.
    plan
        The plan, where there is one.
    powers
        Each lamp's power now, stops below full, where it isn't the plan's.
    since_last_s
        Seconds since the frame before.
    """

    record: dict[str, Any]
    plan: Plan | None
    powers: Mapping[str, float]
    since_last_s: float | None

    def light(self, name: str) -> Light | None:
        """Return the plan's lamp called `name`."""
        return None if self.plan is None else self.plan.light(name)

    def power(self, name: str) -> float | None:
        """Return a lamp's power now, stops below full."""
        light = self.light(name)
        return self.powers.get(name, None if light is None else light.power)


def call_of(finding: Finding, scene: Scene) -> Call:
    """Return the two lines of one failed finding."""
    return _CALLS[finding["check"]](finding, scene)


def urgency(finding: Finding) -> tuple[int, int]:
    """Return a sort key: no lamp fired first, then lamps, shutter, settings, then all else."""
    check = finding["check"]
    rank = _CHECKS_FIRST.index(check) if check in _CHECKS_FIRST else len(_CHECKS_FIRST)
    return rank, 0 if check == "lamp" and finding["of"] in ALL_LAMPS else 1


def turn_line(finding: Finding, scene: Scene, *, lead: str = "") -> str | None:
    """Return "Key down 0.4, to -2.4.", or None where the finding turns no lamp."""
    turn = finding.get("turn")
    if not turn:
        return None
    light, power = scene.light(turn["light"]), scene.power(turn["light"])
    stops = in_steps(turn["stops"], light)
    if light is not None and power is not None:
        low, high = light.range
        if not low - light.step / 2 <= power + stops <= high + light.step / 2:
            return fitted(_AT_LIMIT[stops > 0].format, lamp_name(turn["light"]))
    to = f", to {power_text(power + stops, light)}" if light and power is not None else ""
    way = "up" if stops > 0 else "down"
    tail = f" {way} {stops_text(stops)}{'' if lead else to}."
    return fitted(lambda name: f"{lead}{name}{tail}", lamp_name(turn["light"]))


def _advice(finding: Finding, scene: Scene, otherwise: str) -> str:
    """Return the turn, else the judge's own advice where it is short enough, else `otherwise`."""
    turned = turn_line(finding, scene)
    if turned:
        return turned
    own = shown(finding.get("do") or "")
    return own if 0 < len(own) <= CALL_WIDTH else otherwise


def _off(finding: Finding) -> float:
    if finding["measured"] is None or finding["planned"] is None:
        return 0.0
    return float(finding["measured"] - finding["planned"])


def _patch(finding: Finding, scene: Scene) -> Call:
    off = _off(finding)
    side = f"{stops_text(off)} {over_or_under(off)}"
    if finding.get("cause") == "sitter":
        say = fitted(lambda name: f"{name} {side}, lamps steady.", finding["of"])
        return say, "Sitter has turned. Leave the lamps."
    say = fitted(lambda name: f"{name} {side}.", finding["of"])
    return say, _advice(finding, scene, _lamps_of(finding["of"], scene))


def _lamps_of(name: str, scene: Scene) -> str:
    patch = None if scene.plan is None else scene.plan.patch(name)
    if patch is None or not patch.lit_by:
        return "Shoot again to be sure of the lamp."
    lamps = [lamp_name(lamp) for lamp in patch.lit_by]
    if len(lamps) == 1:
        return fitted("Check the {}.".format, lamps[0])
    return fitted("Check {} and {}.".format, lamps[0], lamps[1])


def _headroom(finding: Finding, scene: Scene) -> Call:
    say = fitted("Hot centre on the {}.".format, finding["of"])
    if not (finding.get("say") or _HOT).startswith(_HOT):
        room = stops_text(finding["measured"] or 0.0)
        return fitted(lambda name: f"{name} {room} from clip.", finding["of"]), _advice(
            finding, scene, "Less light there."
        )
    turn = finding.get("turn")
    if not turn:
        return say, _advice(finding, scene, "Feather the lamp that lights it.")
    lead = f"Feather the {shown(turn['light'])}, or "
    return say, turn_line(finding, scene, lead=lead) or "Feather it."


def _clip(finding: Finding, scene: Scene) -> Call:
    share = share_text(finding["measured"] or 0.0)
    say = fitted(lambda name: f"{name} blown, {share} of it.", finding["of"])
    return say, _advice(finding, scene, "Less light there.")


def _blocked(finding: Finding, scene: Scene) -> Call:
    if finding["unit"] == "fraction":
        share = share_text(finding["measured"] or 0.0)
        say = fitted(lambda name: f"{name} blocked, {share} of it.", finding["of"])
    else:
        say = fitted("{} is noisy.".format, finding["of"])
    return say, _advice(finding, scene, "More light there, or let it go.")


def _ratio(finding: Finding, scene: Scene) -> Call:
    off = _off(finding)
    _, _, shadow = finding["of"].partition(" to ")
    side = "too deep" if off > 0 else "too open"
    say = fitted(lambda name: f"{name} {stops_text(off)} {side}.", shadow or finding["of"])
    return say, _advice(finding, scene, "Fill up a little." if off > 0 else "Fill down a little.")


def _apart(finding: Finding, scene: Scene) -> Call:
    lighter, _, darker = finding["of"].partition(" to ")
    short = stops_text(_off(finding))
    say = fitted(lambda one, other: f"{one} {short} too near {other}.", lighter, darker)
    return say, _advice(finding, scene, fitted("More light on the {}.".format, lighter))


def _backdrop(finding: Finding, scene: Scene) -> Call:
    key = finding["of"].partition(" ")[2]
    off = _off(finding)
    size = stops_text(off)
    if key == "left_right":
        brighter, darker = ("left", "right") if off > 0 else ("right", "left")
        size = stops_text(finding["measured"] or 0.0)
        say = f"Paper {brighter} {size} over {darker}."
    elif key == "falloff":
        say = f"Paper falls off {size} too {'much' if off > 0 else 'little'}."
    else:
        say = _PAPER.get(key, "Paper {size} {side}.").format(size=size, side=over_or_under(off))
    return say, _advice(finding, scene, _PAPER_ADVICE.get(key, "Check the paper lamps."))


def _blown(finding: Finding, scene: Scene) -> Call:
    areas = (scene.record.get("clipping") or {}).get("areas") or ()
    loose = [area for area in areas if not area.get("patch")]
    where = f" {place_of(loose[0]['box'])}" if loose else ""
    say = f"Blown area{where}, {share_text(finding['measured'] or 0.0)}."
    return say, _advice(finding, scene, "Less light there, or let it clip.")


def place_of(box: list[float] | tuple[float, ...]) -> str:
    """Return where a box lies, in words: "top left", "centre", "bottom right"."""
    x, y = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
    across = "left" if x < 1 / 3 else "right" if x > 2 / 3 else ""
    down = "top" if y < 1 / 3 else "bottom" if y > 2 / 3 else ""
    return " ".join(part for part in (down, across) if part) or "in the centre"


def _pinpoints(finding: Finding, scene: Scene) -> Call:
    say = f"Pinpoints cover {share_text(finding['measured'] or 0.0)}."
    return say, _advice(finding, scene, "Find the glints: move or dull them.")


def _setting(finding: Finding, scene: Scene) -> Call:
    key, measured, planned = finding["of"], finding["measured"], finding["planned"]
    text = _SETTING_TEXT.get(key, "{:g}".format)
    pair = f"{text(measured)}, plan {text(planned)}"
    stops = _setting_stops(key, measured, planned)
    exposed = _exposure_finding(scene)
    if exposed is not None and exposed["measured"] is not None:
        stops = _off(exposed) or exposed["measured"]
    if stops:
        pair = f"All {stops_text(stops)} {over_or_under(stops)}: {pair}"
    elif key == "shutter":
        pair = f"Shutter {pair}"
    return fitted("{}.".format, pair), f"Camera back to {text(planned)}."


def _setting_stops(key: str, measured: float, planned: float) -> float | None:
    """Return what a knocked setting does to every tone; a shutter does nothing to a flash."""
    if key not in ("f_number", "iso") or not measured or not planned:
        return None
    return math.log2(measured / planned) * (-2.0 if key == "f_number" else 1.0)


def _exposure_finding(scene: Scene) -> Finding | None:
    for finding in scene.record.get("findings", ()):
        if finding["check"] == "exposure" and finding["state"] == "fails":
            found: Finding = finding
            return found
    return None


def _exposure(finding: Finding, scene: Scene) -> Call:
    off = _off(finding) or float(finding["measured"] or 0.0)
    say = f"All {stops_text(off)} {over_or_under(off)}."
    return say, _advice(finding, scene, "Check aperture and ISO.")


def _shutter(finding: Finding, scene: Scene) -> Call:
    if finding["unit"] == "fraction":
        say = f"Shutter's edge over {share_text(finding['measured'] or 0.0)}."
    else:
        say = f"Light slopes {stops_text(finding['measured'] or 0.0)} with the shutter."
    sync = None if scene.plan is None else scene.plan.camera.sync_speed
    slower = f"Shutter to {shutter_text(sync)} or slower." if sync else "Take a slower shutter."
    return say, slower


def _ambient(finding: Finding, scene: Scene) -> Call:
    measured = finding["measured"] or 0.0
    size = share_text(measured) if finding["unit"] == "fraction" else stops_text(measured)
    return f"Room light reaches {size}.", _advice(finding, scene, "Darken the room.")


def _lamp(finding: Finding, scene: Scene) -> Call:
    if finding["of"] in ALL_LAMPS:
        return "No lamp fired.", "Check the trigger, shoot again."
    name = lamp_name(finding["of"])
    reading = (scene.record.get("lamps") or {}).get(finding["of"]) or {}
    stops = reading.get("stops", finding["measured"])
    state = reading.get("state") or ("out" if stops is None or stops < _OUT_STOPS else "")
    if state == "out" or stops is None:
        return fitted("{} did not fire.".format, name), "Stop. Check it, shoot again."
    if stops > 0:
        say = fitted(lambda lamp: f"{lamp} {stops_text(stops)} strong.", name)
        return say, _advice(finding, scene, "Check its power.")
    if scene.since_last_s is None:
        say = fitted(lambda lamp: f"{lamp} {stops_text(stops)} weak.", name)
        return say, _advice(finding, scene, "Check its power, wait for ready.")
    since = f"{scene.since_last_s:.1f} s after the last"
    return fitted(
        lambda lamp: f"{lamp} {stops_text(stops)} weak, {since}.", name
    ), "Wait for ready."


def _iso_text(iso: float) -> str:
    return f"ISO {iso:.0f}"


_HOT = "Hot centre"
_AT_LIMIT = {True: "{} is at full: move it nearer.", False: "{} is at its least: move it back."}
_SETTING_TEXT = {"f_number": f_text, "shutter": shutter_text, "iso": _iso_text}
_PAPER = {
    "uneven": "Paper uneven by {size}.",
    "blotch": "Blotch of {size} on the paper.",
    "tint": "Paper's colour off by {size}.",
}
_PAPER_ADVICE = {
    "left_right": "Check the paper lamps.",
    "blotch": "Look for a crease or a stray shadow.",
    "tint": "Check gels and lamps' ages.",
}
_CALLS = {
    "patch": _patch,
    "headroom": _headroom,
    "clip": _clip,
    "blocked": _blocked,
    "ratio": _ratio,
    "apart": _apart,
    "backdrop": _backdrop,
    "blown": _blown,
    "pinpoints": _pinpoints,
    "setting": _setting,
    "exposure": _exposure,
    "shutter": _shutter,
    "ambient": _ambient,
    "lamp": _lamp,
}

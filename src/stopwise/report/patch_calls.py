"""What the call line says of patches and of the paper: one small function for each check."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.report.scene import advice_for, off_target, turn_line
from stopwise.report.words import fitted, lamp_name, shown
from stopwise.wording import over_or_under, share_text, stops_text

if TYPE_CHECKING:
    from stopwise.report.scene import Call, Finding, Scene


def _patch(finding: Finding, scene: Scene) -> Call:
    off = off_target(finding)
    side = f"{stops_text(off)} {over_or_under(off)}"
    if finding.get("cause") == "sitter":
        say = fitted(lambda name: f"{name} {side}, lamps steady.", finding["of"])
        return say, "Sitter has turned. Leave the lamps."
    say = fitted(lambda name: f"{name} {side}.", finding["of"])
    return say, advice_for(finding, scene, _lamps_of(finding["of"], scene))


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
        return fitted(lambda name: f"{name} {room} from clip.", finding["of"]), advice_for(
            finding, scene, "Less light there."
        )
    turn = finding.get("turn")
    if not turn:
        return say, advice_for(finding, scene, "Feather the lamp that lights it.")
    lead = f"Feather the {shown(turn['light'])}, or "
    return say, turn_line(finding, scene, lead=lead) or "Feather it."


def _clip(finding: Finding, scene: Scene) -> Call:
    share = share_text(finding["measured"] or 0.0)
    say = fitted(lambda name: f"{name} blown, {share} of it.", finding["of"])
    return say, advice_for(finding, scene, "Less light there.")


def _blocked(finding: Finding, scene: Scene) -> Call:
    if finding["unit"] == "fraction":
        share = share_text(finding["measured"] or 0.0)
        say = fitted(lambda name: f"{name} blocked, {share} of it.", finding["of"])
    else:
        say = fitted("{} is noisy.".format, finding["of"])
    return say, advice_for(finding, scene, "More light there, or let it go.")


def _ratio(finding: Finding, scene: Scene) -> Call:
    off = off_target(finding)
    _, _, shadow = finding["of"].partition(" to ")
    side = "too deep" if off > 0 else "too open"
    say = fitted(lambda name: f"{name} {stops_text(off)} {side}.", shadow or finding["of"])
    return say, advice_for(
        finding, scene, "Fill up a little." if off > 0 else "Fill down a little."
    )


def _separation(finding: Finding, scene: Scene) -> Call:
    lighter, _, darker = finding["of"].partition(" to ")
    short = stops_text(off_target(finding))
    say = fitted(lambda one, other: f"{one} {short} too near {other}.", lighter, darker)
    return say, advice_for(finding, scene, fitted("More light on the {}.".format, lighter))


def _backdrop(finding: Finding, scene: Scene) -> Call:
    key = finding["of"].partition(" ")[2]
    off = off_target(finding)
    size = stops_text(off)
    if key == "left_right":
        brighter, darker = ("left", "right") if off > 0 else ("right", "left")
        size = stops_text(finding["measured"] or 0.0)
        say = f"Paper {brighter} {size} over {darker}."
    elif key == "falloff":
        say = f"Paper falls off {size} too {'much' if off > 0 else 'little'}."
    else:
        say = _PAPER.get(key, "Paper {size} {side}.").format(size=size, side=over_or_under(off))
    return say, advice_for(finding, scene, _PAPER_ADVICE.get(key, "Check the paper lamps."))


_HOT = "Hot centre"
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
PATCH_CALLS = {
    "patch": _patch,
    "headroom": _headroom,
    "clip": _clip,
    "blocked": _blocked,
    "ratio": _ratio,
    "separation": _separation,
    "backdrop": _backdrop,
}
"""The call of each check, by its name."""

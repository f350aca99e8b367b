"""What the call line says of a frame as a whole and of lamps: one small function for each check."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from stopwise.nominal import aperture_stops, iso_stops, slower_full_mark
from stopwise.report.scene import advice_for, off_target
from stopwise.report.words import fitted, lamp_name, shown
from stopwise.wording import CALL_WIDTH, f_text, over_or_under, share_text, shutter_text, stops_text

if TYPE_CHECKING:
    from stopwise.report.scene import Call, Finding, Scene

ALL_LAMPS = frozenset(("frame", "all", "trigger"))
"""What a lamp finding is about when no lamp fired at all."""

_OUT_STOPS = math.log2(1 / 6)
"""A lamp that gives less than this of what is expected is out."""


def _blown(finding: Finding, scene: Scene) -> Call:
    areas = (scene.record.get("clipping") or {}).get("areas") or ()
    loose = [area for area in areas if not area.get("patch")]
    where = f" {place_of(loose[0]['box'])}" if loose else ""
    say = f"Blown area{where}, {share_text(finding['measured'] or 0.0)}."
    return say, advice_for(finding, scene, "Less light there, or let it clip.")


def place_of(box: list[float] | tuple[float, ...]) -> str:
    """Return where a box lies, in words: "top left", "centre", "bottom right"."""
    x, y = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
    across = "left" if x < 1 / 3 else "right" if x > 2 / 3 else ""
    down = "top" if y < 1 / 3 else "bottom" if y > 2 / 3 else ""
    return " ".join(part for part in (down, across) if part) or "in the centre"


def _pinpoints(finding: Finding, scene: Scene) -> Call:
    say = f"Pinpoints cover {share_text(finding['measured'] or 0.0)}."
    return say, advice_for(finding, scene, "Find the glints: move or dull them.")


def _setting(finding: Finding, scene: Scene) -> Call:
    key, measured, planned = finding["of"], finding["measured"], finding["planned"]
    text = _SETTING_TEXT.get(key, "{:g}".format)
    pair = f"{text(measured)}, plan {text(planned)}"
    stops = _setting_stops(key, measured, planned)
    exposed = _exposure_finding(scene)
    if exposed is not None and exposed["measured"] is not None:
        stops = off_target(exposed) or exposed["measured"]
    if stops:
        pair = f"All {stops_text(stops)} {over_or_under(stops)}: {pair}"
    elif key == "shutter":
        pair = f"Shutter {pair}"
    return fitted("{}.".format, pair), f"Camera back to {text(planned)}."


def _setting_stops(key: str, measured: float, planned: float) -> float | None:
    """Return what a knocked setting does to every tone; a shutter does nothing to a flash."""
    if key not in ("f_number", "iso") or not measured or not planned:
        return None
    return (aperture_stops if key == "f_number" else iso_stops)(planned, measured)


def _exposure_finding(scene: Scene) -> Finding | None:
    for finding in scene.record.get("findings", ()):
        if finding["check"] == "exposure" and finding["state"] == "fails":
            found: Finding = finding
            return found
    return None


def _exposure(finding: Finding, scene: Scene) -> Call:
    off = off_target(finding) or float(finding["measured"] or 0.0)
    say = f"All {stops_text(off)} {over_or_under(off)}."
    return say, advice_for(finding, scene, "Check aperture and ISO.")


def _shutter(finding: Finding, scene: Scene) -> Call:
    if finding["unit"] == "fraction":
        side = (scene.record.get("shutter") or {}).get("edge_side")
        where = f" at the {side}" if side else ""
        say = f"Shutter's edge{where}, {share_text(finding['measured'] or 0.0)}."
    else:
        say = f"Light slopes {stops_text(finding['measured'] or 0.0)} with the shutter."
        return say, _slower(scene)
    sync = None if scene.plan is None else scene.plan.camera.sync_speed
    slower = f"Shutter to {shutter_text(sync)} or slower." if sync else "Take a slower shutter."
    return say, slower


def _slower(scene: Scene) -> str:
    """Ask for a frame at the next slower full-stop mark: it shows whether it is the shutter."""
    shutter_s = (scene.record.get("exposure") or {}).get("shutter_s")
    if not shutter_s:
        return "Shoot one at a slower shutter."
    return f"Shoot one at {shutter_text(slower_full_mark(shutter_s))}, leave the lamps."


def _ambient(finding: Finding, scene: Scene) -> Call:
    measured = finding["measured"] or 0.0
    size = share_text(measured) if finding["unit"] == "fraction" else stops_text(measured)
    return f"Room light reaches {size}.", advice_for(finding, scene, "Darken the room.")


def _lamp(finding: Finding, scene: Scene) -> Call:
    if finding["of"] in ALL_LAMPS:
        return "No lamp fired.", "Check the trigger, shoot again."
    name = lamp_name(finding["of"])
    reading = (scene.record.get("lamps") or {}).get(finding["of"]) or {}
    if finding["planned"] is not None and finding.get("say") and reading.get("state") != "out":
        return _lamp_off_its_run(finding, scene)
    stops = reading.get("stops", finding["measured"])
    state = reading.get("state") or ("out" if stops is None or stops < _OUT_STOPS else "")
    if state == "out" or stops is None:
        return _did_not_fire(name, likely=" likely " in (finding.get("say") or ""))
    if stops > 0:
        say = fitted(lambda lamp: f"{lamp} {stops_text(stops)} strong.", name)
        return say, advice_for(finding, scene, "Check its power.")
    if scene.since_last_s is None:
        say = fitted(lambda lamp: f"{lamp} {stops_text(stops)} weak.", name)
        return say, advice_for(finding, scene, "Check its power, wait for ready.")
    since = f"{scene.since_last_s:.1f} s after the last"
    return fitted(
        lambda lamp: f"{lamp} {stops_text(stops)} weak, {since}.", name
    ), "Wait for ready."


def _lamp_off_its_run(finding: Finding, scene: Scene) -> Call:
    """Return what the run of a take says of a lamp: its words stand in the finding."""
    name, own = lamp_name(finding["of"]), shown(finding["say"])
    tail = own[len(name) :] if own.lower().startswith(name.lower()) else ""
    if len(own) > CALL_WIDTH:
        tail = tail.replace(" still", "", 1)
    say = fitted(lambda lamp: f"{lamp}{tail}", name) if tail else own
    return say, advice_for(finding, scene, "Check its power.")


def _did_not_fire(name: str, *, likely: bool) -> Call:
    if likely:
        return fitted("{} likely did not fire.".format, name), "Check it, shoot again."
    return fitted("{} did not fire.".format, name), "Stop. Check it, shoot again."


def _iso_text(iso: float) -> str:
    return f"ISO {iso:.0f}"


_SETTING_TEXT = {"f_number": f_text, "shutter": shutter_text, "iso": _iso_text}
FRAME_CALLS = {
    "blown": _blown,
    "pinpoints": _pinpoints,
    "setting": _setting,
    "exposure": _exposure,
    "shutter": _shutter,
    "ambient": _ambient,
    "lamp": _lamp,
}
"""The call of each check, by its name."""

"""A frame's plain figures in words: settings, clipping, backdrop, ratio, file and time."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from stopwise.conditions import condition
from stopwise.wording import f_text, share_text, shown, shutter_text, signed, tenths

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

_LEAST_SHARE = 1e-5
MOST_AREAS = 4
"""Blown areas that are told one by one."""


def facts(record: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return the figures that a record holds, each as a label and its words; none it lacks."""
    rows = [
        ("File", shown(record["file"])),
        ("Taken", _taken(record)),
        ("Camera", _camera(record.get("camera") or {})),
        ("Settings", _settings(record.get("exposure") or {})),
        ("Reason", shown(record.get("reason") or "")),
        *_clipping(record.get("clipping") or {}),
        ("Ratio", _ratio(record.get("ratio") or {})),
        *_backdrop(record.get("backdrop") or {}),
        ("Lamps", _lamps(record.get("lamps") or {})),
        ("Levels", _levels(record)),
    ]
    return [(label, words) for label, words in rows if words]


def patch_figure(name: str, figures: Mapping[str, Any], record: Mapping[str, Any]) -> str:
    """Return a patch's zone and how far it lies off its target: "6.9  +0.4", "not seen"."""
    if figures["zone"] is None:
        return "not seen"
    targets = (
        finding["planned"]
        for finding in record.get("findings") or ()
        if finding["check"] == "patch" and finding["of"] == name
    )
    planned = next(targets, None)
    zone = tenths(figures["zone"])
    return zone if planned is None else f"{zone}  {signed(figures['zone'] - planned)}"


def _taken(record: Mapping[str, Any]) -> str:
    taken = (record.get("exposure") or {}).get("taken")
    parts = [str(taken).replace("T", " ")] if taken else []
    parts += [f"take {record['take']}"] if record.get("take") is not None else []
    parts += [f"look {record['look']}"] if record.get("look") else []
    return shown(", ".join(parts))


def _camera(camera: Mapping[str, Any]) -> str:
    return shown(", ".join(str(part) for part in camera.values() if part))


def _settings(exposure: Mapping[str, Any]) -> str:
    parts = []
    if exposure.get("iso"):
        parts.append(f"ISO {exposure['iso']:.0f}")
    if exposure.get("f_number"):
        parts.append(f_text(exposure["f_number"]))
    if exposure.get("shutter_s"):
        parts.append(shutter_text(exposure["shutter_s"]))
    return ", ".join(parts)


def _clipping(clipping: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    if not clipping:
        return
    colours = ", ".join(f"{key} {share(part)}" for key, part in clipping["by_colour"].items())
    yield "Clipped", f"any {share(clipping['any'])}, all {share(clipping['all'])}; {colours}"
    yield (
        "Headroom",
        ", ".join(
            f"{key} {tenths(stops)}"
            for key, stops in clipping["headroom_stops"].items()
            if stops is not None
        ),
    )
    yield "Blown", _areas(clipping["areas"])
    points = clipping["pinpoints"]
    blocked = clipping.get("blocked")
    words = [f"pinpoints {points['count']}, {share(points['fraction'])}"]
    words += [f"blocked {share(blocked)}"] if blocked is not None else []
    yield "Also", "; ".join(words)


def share(fraction: float) -> str:
    """Return a share of an area as a percentage, "0 %" where there is nothing."""
    if 0.0 < fraction < _LEAST_SHARE:
        return "under 0.001 %"
    return share_text(fraction) if fraction else "0 %"


def _areas(areas: list[dict[str, Any]]) -> str:
    told = [
        f"{number}: {share_text(area['fraction'])}"
        + (f" {shown(area['patch'])}" if area.get("patch") else "")
        for number, area in enumerate(areas[:MOST_AREAS], start=1)
    ]
    if len(areas) > MOST_AREAS:
        told.append(f"{len(areas) - MOST_AREAS} smaller")
    return ", ".join(told) or "nothing"


def _ratio(ratio: Mapping[str, Any]) -> str:
    if ratio.get("stops") is None:
        return ""
    between = "lit to shadow"
    if ratio.get("lit") and ratio.get("shadow"):
        between = f"{shown(ratio['lit'])} to {shown(ratio['shadow'])}"
    return f"{tenths(ratio['stops'])} stops, {ratio['ratio']:.1f}:1, {between}"


def _backdrop(backdrop: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    figures = {key: backdrop.get(key) for key in ("zone", "left_right", "falloff")}
    parts = [] if figures["zone"] is None else [f"zone {tenths(figures['zone'])}"]
    if figures["left_right"] is not None:
        parts.append(f"left less right {signed(figures['left_right'])}")
    if figures["falloff"] is not None:
        parts.append(f"falloff {tenths(figures['falloff'])}")
    yield "Paper", ", ".join(parts)
    tint = backdrop.get("tint") or {}
    rest = [f"{key} {backdrop[key]:.2f}" for key in ("uneven", "blotch") if backdrop.get(key)]
    if None not in (tint.get("red_green"), tint.get("blue_green")):
        rest.append(f"tint R/G {tint['red_green']:+.2f}, B/G {tint['blue_green']:+.2f}")
    yield "", ", ".join(rest)


def _lamps(lamps: Mapping[str, Any]) -> str:
    told = []
    for name, lamp in lamps.items():
        stops = "" if lamp["stops"] is None else f" {signed(lamp['stops'])}"
        told.append(f"{shown(name)} {lamp['state']}{stops}")
    return ", ".join(told)


def _levels(record: Mapping[str, Any]) -> str:
    levels = record.get("levels") or {}
    if not levels.get("saturation"):
        return ""
    names = {
        "plan": "given by the plan",
        "observed": "seen in this frame",
        "learned": "learned for this camera",
        "file": "named by the file",
    }
    source = levels["saturation_source"]
    mid_grey = (record.get("zones") or {}).get("mid_grey")
    tail = f", mid-grey {mid_grey:.3f}" if mid_grey else ""
    doubts = "".join(f"; {condition(why).short}" for why in (levels.get("why") or {}).values())
    return f"clip {names.get(source, source)}{tail}{doubts}"

"""A frame's figures in words, and each patch with the state that it has in every place."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from stopwise.conditions import condition
from stopwise.messages import reason_text
from stopwise.wording import f_text, iso_text, share_text, shown, shutter_text, signed, tenths

if TYPE_CHECKING:
    from collections.abc import Iterator

    from stopwise.findings import State
    from stopwise.frame import Box, Exposure
    from stopwise.measurement.figures import BackdropReading, Clipping, Ratio
    from stopwise.record import Record

MOST_AREAS = 4
"""Blown areas that are told one by one: what a row of a slip holds."""

_LEAST_SHARE = 1e-5
"""Share of a frame under which only that is said: a thousandth of a per cent, a handful of cells of
a small sensor."""

SATURATION_SOURCES = {
    "plan": "given by the plan",
    "shot": "shown by the plan's frame shot over",
    "observed": "seen in this frame",
    "learned": "learned for this camera",
    "file": "named by the file",
}


@dataclass(frozen=True, slots=True)
class MarkedPatch:
    """A patch as it is marked on a picture.

    Attributes
    ----------
    name, box
        What it is called and where it was read.
    zone, target
        Measured and planned; None where not seen, or where nothing is planned.
    state
        Of its worst finding; None where nothing is asked of it.
    """

    name: str
    box: Box
    zone: float | None
    target: float | None = None
    state: State | None = None

    @property
    def figure(self) -> str:
        """Its zone and how far it lies off its target: "6.9  +0.4", "not seen"."""
        if self.zone is None:
            return "not seen"
        off = "" if self.target is None else f"  {signed(self.zone - self.target)}"
        return tenths(self.zone) + off


def marked_patches(record: Record) -> tuple[MarkedPatch, ...]:
    """Return a frame's patches as they are marked on its picture, in the record's order."""
    targets = {one.of: one.planned for one in record.findings if one.check == "patch"}
    states = patch_states(record)
    return tuple(
        MarkedPatch(name, patch.box, patch.zone, targets.get(name), states.get(name))
        for name, patch in record.patches.items()
    )


def patch_states(record: Record) -> dict[str, State]:
    """Return the state of each patch that anything is asked of: that of its worst finding.

    Where a lamp is out, its patches' zones aren't judged: a patch that holds by its limits alone
    has no state then, since dark skin is never blown.
    """
    states: dict[str, State] = {}
    for finding in record.findings:
        if finding.detail.patches == (finding.of,):
            states.setdefault(finding.of, finding.state)
    if not any(finding.is_misfire for finding in record.findings):
        return states
    judged = {finding.of for finding in record.findings if finding.check == "patch"}
    return {of: state for of, state in states.items() if state != "holds" or of in judged}


def facts(record: Record) -> list[tuple[str, str]]:
    """Return the figures that a record holds, each as a label and its words; none it lacks."""
    taken = (record.exposure and record.exposure.taken) or ""
    when = [taken.replace("T", " ")] if taken else []
    when += [] if record.take is None else [f"take {record.take}"]
    when += [f"look {record.look}"] if record.look else []
    camera = record.camera
    names = (camera.make, camera.model, camera.lens) if camera else ()
    rows = [
        ("File", shown(record.file)),
        ("Taken", shown(", ".join(when))),
        ("Camera", shown(", ".join(name for name in names if name))),
        ("Settings", _settings(record.exposure) if record.exposure else ""),
        ("Reason", shown(reason_text(record.reason)) if record.reason else ""),
        *(_clipping(record.clipping) if record.clipping else ()),
        ("Ratio", _ratio(record.ratio) if record.ratio else ""),
        *(_backdrop(record.backdrop) if record.backdrop else ()),
        ("Lamps", _lamps(record)),
        ("Levels", _levels(record)),
    ]
    return [(label, words) for label, words in rows if words]


def _settings(exposure: Exposure) -> str:
    parts = [
        iso_text(exposure.iso) if exposure.iso else "",
        f_text(exposure.f_number) if exposure.f_number else "",
        shutter_text(exposure.shutter_s) if exposure.shutter_s else "",
    ]
    return ", ".join(part for part in parts if part)


def _clipping(clipping: Clipping) -> Iterator[tuple[str, str]]:
    colours = ", ".join(f"{key} {share(part)}" for key, part in clipping.by_colour.items())
    yield "Clipped", f"any {share(clipping.any)}, all {share(clipping.all)}; {colours}"
    room = clipping.headroom_stops.items()
    yield "Headroom", ", ".join(f"{key} {tenths(one)}" for key, one in room if one is not None)
    told = [
        f"{number}: {share_text(area.fraction)}" + (f" {shown(area.patch)}" if area.patch else "")
        for number, area in enumerate(clipping.areas[:MOST_AREAS], start=1)
    ]
    if len(clipping.areas) > MOST_AREAS:
        told.append(f"{len(clipping.areas) - MOST_AREAS} smaller")
    if clipping.may_be is not None:
        told.append(f"up to {share(clipping.may_be[1])} may be")
    yield "Blown", ", ".join(told) or "nothing"
    points = clipping.pinpoints
    blocked = "" if clipping.blocked is None else f"; blocked {share(clipping.blocked)}"
    yield "Also", f"pinpoints {points.count}, {share(points.fraction)}{blocked}"


def share(fraction: float) -> str:
    """Return a share of an area as a percentage, "0 %" where there is nothing."""
    if 0.0 < fraction < _LEAST_SHARE:
        return "under 0.001 %"
    return share_text(fraction) if fraction else "0 %"


def _ratio(ratio: Ratio) -> str:
    if ratio.stops is None:
        return ""
    between = "lit to shadow"
    if ratio.lit and ratio.shadow:
        between = f"{shown(ratio.lit)} to {shown(ratio.shadow)}"
    return f"{tenths(ratio.stops)} stops, {ratio.ratio:.1f}:1, {between}"


def _backdrop(backdrop: BackdropReading) -> Iterator[tuple[str, str]]:
    parts = [
        None if backdrop.zone is None else f"zone {tenths(backdrop.zone)}",
        None if backdrop.left_right is None else f"left less right {signed(backdrop.left_right)}",
        None if backdrop.falloff is None else f"falloff {tenths(backdrop.falloff)}",
    ]
    yield "Paper", ", ".join(part for part in parts if part)
    rest = [f"uneven {backdrop.uneven:.2f}"] if backdrop.uneven else []
    rest += [f"blotch {backdrop.blotch:.2f}"] if backdrop.blotch else []
    tint = backdrop.tint
    if tint.red_green is not None and tint.blue_green is not None:
        rest.append(f"tint R/G {tint.red_green:+.2f}, B/G {tint.blue_green:+.2f}")
    yield "", ", ".join(rest)


def _lamps(record: Record) -> str:
    return ", ".join(
        f"{shown(name)} {lamp.state}{'' if lamp.stops is None else f' {signed(lamp.stops)}'}"
        for name, lamp in (record.lamps or {}).items()
    )


def _levels(record: Record) -> str:
    levels = record.levels
    if levels is None or not levels.saturation:
        return ""
    grey = f", mid-grey {record.zones.mid_grey:.3f}" if record.zones else ""
    doubts = "".join(f"; {condition(why).short}" for why in levels.why.values())
    return f"clip {SATURATION_SOURCES[levels.saturation_source]}{grey}{doubts}"


def unseen(record: Record) -> list[tuple[str, str]]:
    """Return why figures are absent, each condition once with what it holds for; empty if none."""
    found: dict[str, list[str]] = {}
    owners = [(name, tuple(patch.why.values())) for name, patch in record.patches.items()]
    if record.ratio and record.ratio.why:
        owners.append(("ratio", (record.ratio.why,)))
    if record.backdrop:
        owners.append(("paper", tuple(record.backdrop.why.values())))
    for name, conditions in owners:
        for each in sorted(set(conditions)):
            found.setdefault(each, []).append(shown(name))
    told = [f"{', '.join(names)}: {condition(why).short}" for why, names in found.items()]
    return [("Not seen", "; ".join(told))] if told else []

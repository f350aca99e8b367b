"""Two sides compared: patches, lamps, camera and framing, and what all of it means."""

from __future__ import annotations

import math
import statistics
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

from stopwise.comparison.changes import (
    STILL_STOPS,
    SURE,
    KnownSet,
    LampChange,
    PatchChange,
    lamp_changes,
    patch_changes,
)
from stopwise.comparison.events import spread
from stopwise.comparison.framing import Framing, framing_of_boxes
from stopwise.comparison.sides import SettingsChange, settings_change
from stopwise.findings import Detail, Finding, Knocked, Turn, state_of
from stopwise.measurement.figures import tidy
from stopwise.record import SCHEMA, finding_json

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from stopwise.codes import Code
    from stopwise.comparison.framing import Who
    from stopwise.comparison.sides import Side
    from stopwise.findings import Cause

LEAST_PATCH_STOPS = 0.2
"""Stops that a patch may differ from what its lamps explain: a still sitter's breath."""

AGREE_STOPS = 0.15
"""Patches that changed within this of their median changed as one (stops)."""

TINT_STOPS = 0.05
"""Change of R/G or B/G from which a lamp's colour is said to shift with its power."""

_LEADS = 0.6
"""Share of a patch's light from which its colour is the lamp's."""

_FEWEST = 3
"""Patches from which an offset that all share is said once."""

_LEAST_OFFSET, _MOVED_LAMP = 0.1, 0.1
"""Stops from which such an offset, and a lamp's turn, count."""

_STATES = ("fails", "on the line", "not seen", "holds")


@dataclass(frozen=True, slots=True)
class Comparison:
    """What changed from one side to the other, after less before.

    Attributes
    ----------
    before, after
        The sides.
    settings
        What changed at the camera; it is taken out of all else.
    patches, lamps
        By name.
    framing
        How the picture moved.
    known
        What was known of the set.
    """

    before: Side
    after: Side
    settings: SettingsChange
    patches: Mapping[str, PatchChange]
    lamps: Mapping[str, LampChange]
    framing: Framing
    known: KnownSet

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What it means, worst first."""
        found = [
            *_settings(self),
            *_framing(self),
            *(_of_lamp(name, change) for name, change in self.lamps.items()),
            *_of_patches(self),
            *_of_all(self),
            *_of_colours(self),
        ]
        return tuple(sorted(found, key=lambda finding: _STATES.index(finding.state)))

    @property
    def agrees(self) -> bool:
        """Whether nothing contradicts what was said."""
        return all(finding.state != "fails" for finding in self.findings)

    def to_json(self) -> dict[str, Any]:
        """Return what `compare --json` prints: plain JSON, every number finite or None."""
        patches = {name: asdict(change) for name, change in self.patches.items()}
        for change in patches.values():
            del change["follows"]
        whole: dict[str, Any] = tidy(
            {
                "schema": SCHEMA,
                "before": self.before.name,
                "after": self.after.name,
                "settings_stops": self.settings.flash_stops,
                "patches": patches,
                "lamps": {name: change.stops for name, change in self.lamps.items()},
                "findings": [finding_json(finding) for finding in self.findings],
            }
        )
        return whole


def compare(
    before: Side,
    after: Side,
    *,
    known: KnownSet | None = None,
    framing: Framing | None = None,
    same_solos: bool = True,
) -> Comparison:
    """Return what changed between two sides.

    Parameters
    ----------
    before, after
        The sides.
    known
        What is known of the set, and what was said to be turned.
    framing
        How the picture moved, where pictures were looked at; None reads it from the boxes.
    same_solos
        False where the two sides' lamps were read against other solos: they can't be compared then.
    """
    known = known or KnownSet()
    framing = framing or framing_of_boxes(before, after)
    settings = settings_change(before.exposure, after.exposure)
    lamps = lamp_changes(before, after, known.turned) if same_solos else {}
    patches = patch_changes(before, after, settings, known)
    if framing.who == "camera":
        for name, change in patches.items():
            boxes = {side.patches[name].box for side in (before, after) if name in side.patches}
            if not change.follows and len(boxes) == 1:  # it stayed: it holds other things now
                patches[name] = replace(
                    change, stops=None, uncertainty=None, red_green=None, blue_green=None
                )
    return Comparison(before, after, settings, patches, lamps, framing, known)


def _settings(seen: Comparison) -> Iterator[Finding]:
    before, after, change = seen.before.exposure, seen.after.exposure, seen.settings
    if before is None or after is None:
        return
    code: Code = "changed_left_in"
    if seen.known.all_steady:
        code = "changed_taken_out"
    elif seen.known.shares:
        code = "changed_in_part"
    rows: tuple[
        tuple[Literal["iso", "f_number", "shutter"], float, float | None, float | None, Code], ...
    ] = (
        ("iso", change.iso_stops, before.iso, after.iso, "changed_taken_out"),
        ("f_number", change.aperture_stops, before.f_number, after.f_number, "changed_taken_out"),
        ("shutter", change.shutter_stops, before.shutter_s, after.shutter_s, code),
    )
    for name, stops, was, now, told in rows:
        if was is not None and now is not None and abs(stops) >= 1e-6:
            detail = Detail(knocked=Knocked(name, found=now, planned=was))
            yield Finding("setting", name, told, "holds", stops, detail=detail)


_MOVED: Mapping[Who, tuple[Code, Cause]] = {
    "camera": ("framing_changed", "camera"),
    "sitter": ("sitter_moved", "sitter"),
    "unknown": ("something_moved", "unknown"),
}


def _framing(seen: Comparison) -> Iterator[Finding]:
    framing = seen.framing
    if framing.moved:
        code, cause = _MOVED[framing.who]
        yield Finding(
            check="setting",
            of="framing",
            code=code,
            state="on the line",
            measured=math.hypot(framing.right, framing.down),
            unit="fraction",
            cause=cause,
            detail=Detail(moved=(framing.right, framing.down), scale=framing.scale),
        )


def _of_lamp(name: str, change: LampChange) -> Finding:
    stops, said, state = change.stops, change.said, change.state
    turn: Turn | None = None
    code: Code = "changed"
    if change.went_out:
        code = "out"
    elif stops is None:
        code = "not_seen"
    elif said and state != "fails":
        code = "as_said" if state == "holds" else "near_said"
    elif state == "fails" and said is not None:
        turn = None if said == 0.0 else Turn(name, said - stops)
        code = "nobody_turned" if said == 0.0 else "off_said"
        if said and abs(stops) < STILL_STOPS:
            code = "not_turned"
    return Finding(
        check="lamp",
        of=name,
        code=code,
        state=state,
        measured=stops,
        planned=said,
        within=(-change.limit, change.limit),
        uncertainty=change.uncertainty,
        cause="lamp" if state == "fails" else None,
        turn=turn,
    )


def _of_patches(seen: Comparison) -> Iterator[Finding]:
    """Yield each patch's finding, but for those that a lamp explains: it has one of its own."""
    for name, change in seen.patches.items():
        by_lamps = _by_lamps(seen, name)
        expected = change.expected if seen.known.turned is not None else by_lamps
        if change.stops is None or expected is None:
            continue
        limit = max(LEAST_PATCH_STOPS, SURE * (change.uncertainty or 0.0))
        state = state_of(change.stops - expected, (-limit, limit), None)
        code: Code = "changed"
        cause: Cause | None = None
        if state == "fails":
            if by_lamps is not None and abs(change.stops - by_lamps) <= limit:
                continue
            cause = "sitter" if by_lamps is not None and change.follows else "unknown"
            code = "changed_over" if change.stops > expected else "changed_under"
        yield Finding(
            check="patch",
            of=name,
            code=code,
            state=state,
            measured=change.stops,
            planned=expected,
            within=(-limit, limit),
            uncertainty=change.uncertainty,
            cause=cause,
            advice="leave_lamps" if cause == "sitter" else None,
            detail=Detail(patches=(name,)),
        )


def _by_lamps(seen: Comparison, name: str) -> float | None:
    """Return what a patch should have changed by, from its lamps as they were read, stops."""
    shares = seen.known.shares.get(name)
    if not shares:
        return None
    total = 0.0
    for lamp, share in shares.items():
        change = seen.lamps.get(lamp)
        if change is not None and change.went_out:
            continue
        if lamp != "ambient" and (change is None or change.stops is None):
            return None
        total += share * math.pow(2.0, (change and change.stops) or 0.0)
    return math.log2(total / sum(shares.values())) if total > 0.0 else None


def _of_all(seen: Comparison) -> Iterator[Finding]:
    """Say once, where no solos tell lamps apart, that all patches changed alike."""
    changes = [one.stops for one in seen.patches.values() if one.stops is not None]
    if seen.lamps or len(changes) < _FEWEST:
        return
    middle = statistics.median(changes)
    if abs(middle) >= _LEAST_OFFSET and max(abs(one - middle) for one in changes) <= AGREE_STOPS:
        yield Finding("exposure", "frame", "changed", "holds", middle, cause="unknown")


def _of_colours(seen: Comparison) -> Iterator[Finding]:
    """Say where a lamp that was turned shifts the colour of the patches that it leads."""
    rows: tuple[tuple[Literal["red_green", "blue_green"], Code, Code], ...] = (
        ("red_green", "redder", "less_red"),
        ("blue_green", "bluer", "less_blue"),
    )
    for lamp, change in seen.lamps.items():
        if change.stops is None or abs(change.stops) < _MOVED_LAMP:
            continue
        led = [
            seen.patches[name]
            for name, shares in seen.known.shares.items()
            if shares.get(lamp, 0.0) >= _LEADS and name in seen.patches
        ]
        for key, more, less in rows:
            shifts = [shift for one in led if (shift := getattr(one, key)) is not None]
            if not shifts:
                continue
            shift = statistics.median(shifts)
            doubt = spread(shifts) / math.sqrt(len(shifts)) if len(shifts) > 1 else None
            state = state_of(shift, (-TINT_STOPS, TINT_STOPS), doubt)
            if state != "holds":
                yield Finding(
                    check="lamp",
                    of=f"{lamp} {key}",
                    code=more if shift > 0 else less,
                    state=state,
                    measured=shift,
                    planned=0.0,
                    within=(-TINT_STOPS, TINT_STOPS),
                    uncertainty=doubt,
                    cause="lamp" if state == "fails" else None,
                    detail=Detail(lamps=(lamp,), turned_stops=change.stops),
                )

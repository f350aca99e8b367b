"""Two sides compared: patches, lamps, camera and framing, and what all of it means."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from stopwise.comparison.changes import Known, PatchChange, patch_changes
from stopwise.comparison.findings import Seen, findings_of
from stopwise.comparison.framing import Framing, framing_of_boxes
from stopwise.comparison.lamp_changes import LampChange, lamp_changes
from stopwise.comparison.settings import SettingsChange, settings_change
from stopwise.record import SCHEMA, tidy

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.comparison.finding import Difference
    from stopwise.comparison.sides import Side


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
    findings
        What it means, worst first.
    """

    before: Side
    after: Side
    settings: SettingsChange
    patches: Mapping[str, PatchChange]
    lamps: Mapping[str, LampChange]
    framing: Framing
    findings: tuple[Difference, ...]

    @property
    def agrees(self) -> bool:
        """Whether nothing contradicts what was said."""
        return all(finding.state != "fails" for finding in self.findings)

    def to_json(self) -> dict[str, Any]:
        """Return what `compare --json` prints: plain JSON, every number finite or None."""
        whole: dict[str, Any] = tidy(
            {
                "schema": SCHEMA,
                "before": self.before.name,
                "after": self.after.name,
                "settings_stops": self.settings.flash_stops,
                "patches": {name: _patch(change) for name, change in self.patches.items()},
                "lamps": {name: change.stops for name, change in self.lamps.items()},
                "findings": [finding.to_json() for finding in self.findings],
            }
        )
        return whole


def _patch(change: PatchChange) -> dict[str, Any]:
    return {
        "stops": change.stops,
        "uncertainty": change.uncertainty,
        "expected": change.expected,
        "red_green": change.red_green,
        "blue_green": change.blue_green,
    }


def compare(
    before: Side,
    after: Side,
    *,
    known: Known | None = None,
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
    known = known or Known()
    framing = framing or framing_of_boxes(before, after)
    settings = settings_change(before.exposure, after.exposure)
    lamps = lamp_changes(before, after, known.turned) if same_solos else {}
    changes = patch_changes(before, after, settings, known)
    if framing.who == "camera":
        changes = {name: _unseen(change, before, after, name) for name, change in changes.items()}
    found = findings_of(Seen(before, after, settings, changes, lamps, framing, known))
    return Comparison(before, after, settings, changes, lamps, framing, found)


def _unseen(change: PatchChange, before: Side, after: Side, name: str) -> PatchChange:
    """Drop a patch that stayed in the frame while the camera moved: it holds other stuff now."""
    boxes = [side.patches[name].box for side in (before, after) if name in side.patches]
    if change.follows or len(boxes) < 2 or boxes[0] != boxes[1]:
        return change
    return replace(change, stops=None, uncertainty=None, red_green=None, blue_green=None)

"""Doubts: what in a plan doesn't fit together, as code and figures, and how it is said."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from stopwise.wording import title

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.plan.model import Light
    from stopwise.plan.places import Path

ROOM = 0.05
"""Stops by which two figures may differ before anyone should be bothered: half of what a meter
shows."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """One warning: the key that it is about, what doesn't fit, and the figures of it."""

    path: Path
    code: str
    values: Mapping[str, object]

    @property
    def say(self) -> str:
        """What doesn't fit, with the figures."""
        return self._told(0)

    @property
    def do(self) -> str:
        """What to do about it."""
        return self._told(1)

    def _told(self, half: int) -> str:
        return title(SENTENCES[self.code][half].format(**self.values))


@dataclass(frozen=True, slots=True)
class LampTurn:
    """A turn of a lamp in stops, said as an assistant does it."""

    lamp: Light
    stops: float

    def __str__(self) -> str:
        """Say it, with where the lamp stands then, or that it can't be turned so far."""
        told = f"{self.lamp.name} {'up' if self.stops > 0.0 else 'down'} {abs(self.stops):.1f}"
        if self.lamp.power is None:
            return told
        (least, most), wanted = self.lamp.range, self.lamp.power + self.stops
        if least - ROOM <= wanted <= most + ROOM:
            return f"{told}, to {self.lamp.power_shown(wanted)}"
        left = most - self.lamp.power if self.stops > 0.0 else self.lamp.power - least
        return (
            f"{told}; it has only {left:.1f} left, so move it, open the lens or change the target"
        )


SENTENCES: Mapping[str, tuple[str, str]] = {
    "beyond_sync": (
        (
            "The shutter at {shutter} is shorter than sync at {sync}: its edge darkens a side "
            "of the frame."
        ),
        "Set it to {sync} or longer.",
    ),
    "mid_grey_of_other_iso": (
        "`mid_grey` was set at ISO {was:g}, the plan shoots at {now:g}: zones won't be seen.",
        "Shoot the grey card again and run `stopwise grey`.",
    ),
    "at_top": (
        "{lamp} stands at {shown}, the top of its range: it can't go up.",
        "Move it nearer, or raise the ISO and turn the others down.",
    ),
    "between_steps": (
        "{lamp} at {power:g} lies between steps of {step:.2g}.",
        "The nearest that it has is {near:.2f}.",
    ),
    "at_bottom": (
        "{lamp} stands at {shown}, the bottom of its range.",
        "Move it back, or put a diffuser on it.",
    ),
    "pack_apart": (
        "{lamp} and {other} hang on {pack} and have other powers, but one dial turns both.",
        "Give them one power, or say asymmetric = true.",
    ),
    "pack_of_two_scales": (
        "{lamp} and {other} hang on {pack}, but their step, range or scale differ.",
        "Say what the pack has at both, or asymmetric = true.",
    ),
    "pack_over_shared": (
        "The heads on {pack} share {sum:.0f} % of its energy.",
        "Their shares come to 1 at most.",
    ),
    "ambient_lifts": (
        (
            "EV {ev:g} of ambient at {shutter} reads f/{reads:.2g} and lifts {lamp} ({flash}) "
            "by {lift:.2f} stop."
        ),
        "Darken the room, shorten the shutter as far as sync allows, or work at more power.",
    ),
    "paper_uneven": (
        (
            "Background lamps read {left} left and {right} right: left minus right is "
            "{gives:+.1f}, and the target is {target:g}."
        ),
        "{turn}.",
    ),
    "ratio_of_readings": (
        (
            "{lit} to {shadow}: the readings give {gives:.1f} stops lit to shadow{clauses} The "
            "target is {target:.1f}, {within:.1f} either way."
        ),
        "{turn}.",
    ),
    "zone_out_of_reach": (
        (
            "{patch}: its lamps give {reading} together, {against}, which puts {material} at "
            "Zone {least:.1f} to {most:.1f} (common practice). The target is {target:.1f}."
        ),
        "Give it {short:.1f} {way} light, or change the target.",
    ),
    "key_off_the_lens": (
        "{patch}: its lamps give {reading} together, {against}.",
        "Set the lens to {reading}, turn the lamps, or leave it if it is meant.",
    ),
    "patch_unlit": (
        "No lamp is said to light {patch}: when it is off, none can be named.",
        'Write its lamps, such as lit_by = ["key", "fill"].',
    ),
    "lamp_lights_nothing": (
        "{lamp} lights no patch: nothing in the frame answers for it.",
        "Put a patch where it alone is seen.",
    ),
    "above_the_clip_line": (
        "{patch} at Zone {target:g}{kept} lies above the clip line, Zone {clip:.2f}.",
        "Target Zone {most:.1f} at most.",
    ),
    "on_a_clipping_place": (
        "{patch} lies on {place}, which is meant to clip.",
        "Move one of the boxes.",
    ),
    "on_the_backdrop": (
        "{patch} lies on a box of the backdrop.",
        "Move one of the boxes.",
    ),
    "ratio_against_zones": (
        (
            "{lit} and {shadow} have targets {least:.1f} to {most:.1f} stops apart as zones, "
            "and {target:.1f} as a ratio."
        ),
        "One of the three must give way.",
    ),
    "two_ratios": (
        "The ratio of {lit} to {shadow} has two targets, {before:g} and {target:g}.",
        "Keep one of the two.",
    ),
    "separation_against_zones": (
        (
            "{lighter} can lie {most:.1f} over {darker} at most, by their zones; the target "
            "between them is {target:.1f}."
        ),
        "Move a zone, or ask for less.",
    ),
    "frame_missing": (
        "{file} isn't beside the plan.",
        "Copy it there, or mark another: stopwise mark FRAME {mark}.",
    ),
    "two_materials": (
        (
            "{box} covers two {by}s in {frame}, {stops:.1f} stops apart, the smaller over "
            "{smaller:.0%} of it: two materials, or an edge of light."
        ),
        "Draw the box inside one of them.",
    ),
}
"""What each doubt is told as, and what to do; a name or a turn begins with a capital."""

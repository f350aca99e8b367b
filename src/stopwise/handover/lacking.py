"""What a shoot's record still lacks for its light to be built again."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal

from stopwise.wording import lamp_name, shown, title

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from stopwise.handover.gathering import ShootKept
    from stopwise.plan.model import Light

LackCode = Literal[
    "no_lamps", "place", "distance", "power", "not_said", "modifier", "solo", "solo_unusable",
    "adopted", "picture_gone", "mid_grey", "set", "no_picture", "nothing_judged",
]  # fmt: skip

_SAID: Mapping[LackCode, str] = MappingProxyType(
    {
        "no_lamps": "The plan names no lamp. Write a [[light]] for each.",
        "place": "{lamp}: nobody wrote where it stands. Measure off_axis and elevation.",
        "distance": "{lamp}: no distance. Measure from lamp to face.",
        "power": "{lamp}: no power. Read it off the pack.",
        "not_said": "{lamp} reads otherwise than was said. Look at its dial, say it: stopwise take",
        "modifier": "{lamp}: what shapes its light isn't said.",
        "solo": "{lamp}: no frame of it alone. Shoot one: stopwise expect {of}",
        "solo_unusable": "{lamp}: its solo can't be used. Shoot it again: stopwise expect {of}",
        "adopted": "No frame was adopted or marked as reference, so no picture shows the light.",
        "picture_gone": "{of}: the file of the adopted frame isn't where it lay. Put it back.",
        "mid_grey": "No grey card was shot: zones stand on the standard's mid-grey.",
        "set": "Not measured: {of}. They stand under [set] in the plan.",
        "no_picture": "No picture of the set. Take one by telephone: --picture FILE",
        "nothing_judged": "No frame of these was judged.",
    }
)
"""What is said of each."""

_LENGTHS = MappingProxyType(
    {
        "sitter_to_paper": "sitter to paper",
        "camera_to_sitter": "camera to sitter",
        "camera_height": "camera height",
        "lens_mm": "lens",
    }
)


@dataclass(frozen=True, slots=True)
class Lack:
    """Something that a rebuild would need and that the record doesn't have: what, and of what."""

    code: LackCode
    of: str = ""

    @property
    def words(self) -> str:
        """It in a sentence or two, with what to do."""
        return _SAID[self.code].format(of=shown(self.of), lamp=title(shown(lamp_name(self.of))))


def lacks_of(kept: ShootKept) -> tuple[Lack, ...]:
    """Return what a shoot's record lacks, what matters most first; empty where nothing does."""
    return tuple(_lacks(kept))


def _lacks(kept: ShootKept) -> Iterator[Lack]:
    plan = kept.plan
    if not plan.lights:
        yield Lack("no_lamps")
    for light in plan.lights:
        yield from _of_lamp(light, kept)
    if not kept.adopted:
        yield Lack("adopted")
    for one in kept.adopted:
        if one.picture is None:
            yield Lack("picture_gone", one.record.file)
    if not any(record.verdict in ("on plan", "off plan", "can't tell") for record in kept.records):
        yield Lack("nothing_judged")
    if plan.camera.mid_grey is None:
        yield Lack("mid_grey")
    gone = [words for key, words in _LENGTHS.items() if getattr(plan.set_, key) is None]
    if gone:
        yield Lack("set", ", ".join(gone))
    if not kept.photographs:
        yield Lack("no_picture")


def _of_lamp(light: Light, kept: ShootKept) -> Iterator[Lack]:
    frames = kept.plan.frames
    if light.name in kept.solos_unusable:
        yield Lack("solo_unusable", light.name)
    elif light.name not in {**frames.solo, **frames.white_card}:
        yield Lack("solo", light.name)
    if light.off_axis is None or light.elevation is None:
        yield Lack("place", light.name)
    if light.distance is None:
        yield Lack("distance", light.name)
    if light.power is None:
        yield Lack("power", light.name)
    if (dial := kept.dials.get(light.name)) is not None and dial.read is not None:
        yield Lack("not_said", light.name)
    if light.modifier is None:
        yield Lack("modifier", light.name)

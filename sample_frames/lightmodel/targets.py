"""The plan of our scenario as data: what `plan.toml` says and what `truth.json` is held against."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

Box = tuple[float, float, float, float]
Part = Literal["head", "body"] | None


@dataclass(frozen=True, slots=True)
class Allowance:
    """What a material allows, stops and fractions: the design's table of defaults."""

    under: float
    over: float
    headroom: float | None = None
    may_clip: float = 0.0
    blocked: float | None = None
    read_at: float = 50.0


MATERIALS = {
    "skin": Allowance(0.3, 0.2, headroom=0.5, may_clip=0.0005),
    "white cloth": Allowance(0.4, 0.15, headroom=0.3, may_clip=0.001),
    "hair": Allowance(0.5, 0.3, headroom=0.0, may_clip=0.01, read_at=90.0),
    "black cloth": Allowance(0.5, 0.5, blocked=0.3),
    "paper": Allowance(0.2, 0.2),
    "": Allowance(0.3, 0.3),
}
"""By name; "" is a patch without one."""


@dataclass(frozen=True, slots=True)
class Patch:
    """A box of the upright picture and the target zone there.

    Attributes
    ----------
    name, box, material, zone, lit_by
        As the plan has them.
    part
        What it moves with: the head, the body, or None for what stays.
    """

    name: str
    box: Box
    material: str
    zone: float
    lit_by: tuple[str, ...]
    part: Part = "body"

    @property
    def allowed(self) -> Allowance:
        """What its material allows."""
        return MATERIALS[self.material]


@dataclass(frozen=True, slots=True)
class Targets:
    """Patches and ratio of one look; its name is None for the plan's own.

    `backdrop` is where its paper lies, for a camera that is turned.
    """

    look: str | None
    patches: tuple[Patch, ...]
    ratio_stops: float | None
    ratio_within: float = 0.3
    may_clip: tuple[Box, ...] = ()
    backdrop: tuple[Box, ...] = ()

    def patch(self, name: str) -> Patch:
        """Return the patch called `name`."""
        return next(patch for patch in self.patches if patch.name == name)


@dataclass(frozen=True, slots=True)
class BackdropTarget:
    """How the paper is to lie, stops."""

    boxes: tuple[Box, ...] = ((0.1, 0.04, 0.3, 0.3), (0.7, 0.04, 0.9, 0.3))
    zone: float = 4.4
    zone_within: float = 0.2
    left_right: float = 0.0
    left_right_within: float = 0.15
    falloff: float = 0.6
    falloff_within: float = 0.3
    uneven: float = 0.05


LIT, SHADOW, HAIR = "lit cheek", "shadow cheek", "hair"
SEPARATION_AT_LEAST = 0.7
PINPOINT_LARGEST = 0.00005
PINPOINTS_TOTAL = 0.0005
BLOWN_AREA = 0.0001
BUCKLE: Box = (0.445, 0.74, 0.495, 0.8)
BACKDROP = BackdropTarget()

WHITE = Targets(
    look=None,
    patches=(
        Patch(LIT, (0.48, 0.284, 0.504, 0.32), "skin", 6.5, ("key", "fill"), "head"),
        Patch(SHADOW, (0.43, 0.33, 0.45, 0.37), "skin", 4.5, ("fill",), "head"),
        Patch("brow", (0.47, 0.18, 0.495, 0.21), "skin", 6.9, ("key", "fill"), "head"),
        Patch(HAIR, (0.418, 0.14, 0.445, 0.19), "hair", 5.8, ("hair", "fill"), "head"),
        Patch("jacket", (0.5, 0.58, 0.56, 0.66), "white cloth", 7.0, ("key", "fill")),
        Patch("mask", (0.738, 0.75, 0.768, 0.79), "black cloth", 2.9, ("key",)),
        Patch("chip", (0.755, 0.38, 0.8, 0.44), "", 5.8, ("key",), None),
    ),
    ratio_stops=2.1,
    may_clip=(BUCKLE,),
)
"""The first look."""


def _in_black(patch: Patch) -> Patch:
    return replace(patch, material="black cloth", zone=3.1) if patch.name == "jacket" else patch


def _upright(box: Box) -> Box:
    """Return where a box of the level picture lies in the upright one: same place, same lens.

    What lies beside the upright picture is cut off.
    """
    x0, y0, x1, y1 = box
    wide, high = 4.0 / 3.0, 3.0 / 4.0
    turned = (0.5 + (x0 - 0.5) * wide, 0.5 + (y0 - 0.5) * high)
    end = (0.5 + (x1 - 0.5) * wide, 0.5 + (y1 - 0.5) * high)
    x0, y0, x1, y1 = (round(min(max(edge, 0.0), 1.0), 4) for edge in (*turned, *end))
    return (x0, y0, x1, y1)


BLACK = replace(WHITE, look="in black", patches=tuple(_in_black(patch) for patch in WHITE.patches))
UPRIGHT = replace(
    WHITE,
    look="upright",
    patches=tuple(replace(patch, box=_upright(patch.box)) for patch in WHITE.patches),
    may_clip=(_upright(BUCKLE),),
    backdrop=tuple(_upright(box) for box in BACKDROP.boxes),
)
LOOKS = {targets.look: targets for targets in (WHITE, BLACK, UPRIGHT)}

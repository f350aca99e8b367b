"""What solos say of a plan's targets, and the words in which a cause is told."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, Protocol

from stopwise.lamps.scene import build_scene
from stopwise.lamps.wanted import wanted

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.lamps.outputs import Expected
    from stopwise.lamps.scene import Scene
    from stopwise.lamps.solos import LampSet
    from stopwise.lamps.wanted import Wanted
    from stopwise.plan.now import PlanNow

CauseName = Literal["lamp", "sitter", "camera", "shutter", "backdrop", "unknown"]

_OF_THE_SET = (None, "paper")
"""Materials that don't go with the sitter, as long as the patch doesn't follow."""


class Failing(Protocol):
    """A finding, as far as its cause needs it."""

    @property
    def check(self) -> str:
        """What was checked."""

    @property
    def of(self) -> str:
        """Of which patch, ratio or backdrop figure."""

    @property
    def measured(self) -> float | None:
        """In stops or zones."""

    @property
    def planned(self) -> float | None:
        """The same as planned."""


@dataclass(frozen=True, slots=True)
class Blame:
    """Why a finding failed.

    Attributes
    ----------
    cause
        Who or what.
    lamp
        The lamp, where it is one.
    turn
        Stops that it is to be turned, unrounded; None where no turn is shown to be right.
    """

    cause: CauseName
    lamp: str | None = None
    turn: float | None = None


UNKNOWN = Blame("unknown")


@dataclass(frozen=True, eq=False, slots=True)
class Knowledge:
    """What solos say of the plan's targets, made once for many frames.

    Attributes
    ----------
    scene
        The set.
    aims
        Each target, by check and what it is of.
    sitters
        Patches that are the sitter's: they may turn with a head.
    """

    scene: Scene
    aims: Mapping[tuple[str, str], Wanted]
    sitters: frozenset[str]


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What else is known of the frame.

    Attributes
    ----------
    expected
        What is expected of each lamp; those not named have nothing expected of them.
    exposure_stops
        How much more light this frame's aperture and ISO record than the solos'.
    shutter_slope
        Slope along the shutter's travel, stops; None where it can't be told.
    """

    expected: Mapping[str, Expected]
    exposure_stops: float = 0.0
    shutter_slope: float | None = None


_KINDS = {
    "zone": "patch",
    "headroom": "headroom",
    "clip": "clip",
    "ratio": "ratio",
    "separation": "separation",
}


def know(lamps: LampSet, targets: PlanNow) -> Knowledge:
    """Gather what solos say of the plan's targets.

    Parameters
    ----------
    lamps
        The solos.
    targets
        What of the plan holds now.
    """
    scene = build_scene(lamps, targets).quick()
    aims = {
        ("backdrop" if aim.of.startswith("backdrop ") else _KINDS[aim.kind], aim.of): aim
        for aim in wanted(targets, set(scene.patches))
        if aim.kind in _KINDS or aim.of.startswith("backdrop ")
    }
    sitters = {
        patch.name for patch in targets.patches if patch.follow or patch.material not in _OF_THE_SET
    }
    return Knowledge(scene, aims, frozenset(sitters))

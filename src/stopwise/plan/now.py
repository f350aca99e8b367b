"""What of a plan holds now: the look that is worn, and the lamps that are meant to be lit."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from stopwise.plan.model import BACKDROP, FramesPlan

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from stopwise.frame import Held
    from stopwise.plan.model import (
        BackdropPlan,
        Look,
        Patch,
        Plan,
        RatioTarget,
        Separation,
    )


@dataclass(frozen=True, slots=True)
class PlanNow:
    """The part of a plan that a frame is held against.

    Attributes
    ----------
    plan
        The whole plan, for what doesn't depend on look and lamps.
    measured
        Patches that are read in this frame, whether their lamps are lit or not.
    patches, ratios, separations, backdrop
        What is judged.
    powers
        Where dials stand now, stops below full, as far as that isn't the plan's power.
    lit
        Lamps that are meant to be lit; None for all.
    """

    plan: Plan
    measured: tuple[Patch, ...]
    patches: tuple[Patch, ...]
    ratios: tuple[RatioTarget, ...]
    separations: tuple[Separation, ...]
    backdrop: BackdropPlan | None
    powers: Mapping[str, float] = field(default_factory=dict)
    lit: frozenset[str] | None = None

    @property
    def any(self) -> bool:
        """Whether the plan has any target; with none a frame is only measured."""
        plan, camera = self.plan, self.plan.camera
        return bool(
            plan.patches or plan.looks or plan.ratios or plan.separations or plan.backdrop
            or "limits" in plan.model_fields_set
            or camera.iso or camera.f_number or camera.shutter
        )  # fmt: skip


def plan_now(
    plan: Plan,
    *,
    look: str | None = None,
    lit: Collection[str] | None = None,
    powers: Mapping[str, float] | None = None,
) -> PlanNow:
    """Return what of `plan` holds now.

    Parameters
    ----------
    plan
        The plan.
    look
        Name of the look that is worn; None for the plan's own patches.
    lit
        Names of the lamps that are meant to be lit; None for all of them.
    powers
        Where dials stand now, stops below full, as far as that isn't the plan's power.

    Raises
    ------
    ValueError
        If the plan has no such look.
    """
    measured, ratios = plan.patches, plan.ratios
    if look is not None:
        worn = plan.look(look)
        if worn is None:
            known = ", ".join(one.name for one in plan.looks) or "none"
            msg = f"the plan has no look {look!r}; it has: {known}"
            raise ValueError(msg)
        if worn.orientation is not None:
            plan = _turned(plan, worn)
        own = {patch.name for patch in worn.patches}
        stay = (p for p in plan.patches if stays_with_the_set(p) and p.name not in own)
        measured, ratios = (*stay, *worn.patches), (*plan.ratios, *worn.ratios)
    every = tuple(light.name for light in plan.lights)
    on_paper = tuple(light.name for light in plan.lights if light.role == "background")

    def is_lit(lamps: tuple[str, ...]) -> bool:
        return lit is None or set(lamps or every) <= set(lit)

    judged = tuple(patch for patch in measured if is_lit(patch.lit_by))
    backdrop = plan.backdrop if is_lit(on_paper) else None
    names = {patch.name for patch in judged}
    sides = names | ({BACKDROP} if backdrop else set())
    return PlanNow(
        plan=plan,
        measured=measured,
        patches=judged,
        ratios=tuple(one for one in ratios if {one.lit, one.shadow} <= names),
        separations=tuple(one for one in plan.separations if {one.lighter, one.darker} <= sides),
        backdrop=backdrop,
        powers=powers or {},
        lit=None if lit is None else frozenset(lit),
    )


def _turned(plan: Plan, look: Look) -> Plan:
    """Return a plan with the places of a look for a turned camera in place of its own."""
    places = {"patches": (), "backdrop": look.backdrop, "may_clip": look.may_clip}
    return plan.model_copy(update={**places, "frames": FramesPlan()})


def without_places(plan: Plan) -> Plan:
    """Return what of a plan holds for a frame in which none of its boxes do."""
    places = ("patches", "ratios", "separations", "may_clip", "looks")
    nowhere = {**dict.fromkeys(places, ()), "backdrop": None, "frames": FramesPlan()}
    return plan.model_copy(update=nowhere)


@dataclass(frozen=True, slots=True)
class LookFor:
    """Whose boxes hold for a frame: a look's, None for the plan's own; or nobody's."""

    name: str | None
    has_boxes: bool = True


def look_for(plan: Plan, look: str | None, *, seen: Held | None, own: Held | None) -> LookFor:
    """Return the look whose boxes hold for a frame's orientation.

    Parameters
    ----------
    plan
        The plan.
    look
        Name of the look that is worn; None for the plan's own patches.
    seen
        How the camera was held for the frame; None for a square picture.
    own
        How it was held for the plan's own boxes; None where nobody knows.
    """
    worn = plan.look(look)
    base = worn.of if worn is not None and worn.orientation is not None else look
    if seen is None or (worn is not None and worn.orientation == seen):
        return LookFor(look)
    if own == seen:
        return LookFor(base)
    turned = next((one for one in plan.looks if (one.of, one.orientation) == (base, seen)), None)
    if turned is not None:
        return LookFor(turned.name)
    return LookFor(base, has_boxes=own is None)


def of_the_set(now: PlanNow) -> PlanNow:
    """Return what holds of that which stays when clothes or sitter change."""
    before = {(patch.name, patch.box) for patch in now.plan.patches}
    measured = tuple(
        patch
        for patch in now.measured
        if stays_with_the_set(patch) and (patch.name, patch.box) in before
    )
    names = {patch.name for patch in measured}
    return replace(
        now,
        measured=measured,
        patches=tuple(patch for patch in now.patches if patch.name in names),
        ratios=tuple(ratio for ratio in now.ratios if {ratio.lit, ratio.shadow} <= names),
        separations=tuple(one for one in now.separations if {one.lighter, one.darker} <= names),
    )


def stays_with_the_set(patch: Patch) -> bool:
    """Tell whether a patch stays when the sitter changes clothes: a chip, the paper."""
    return patch.material in (None, "paper") and not patch.follow

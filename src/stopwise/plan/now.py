"""What of a plan holds now: the look that is worn, and the lamps that are meant to be lit."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from stopwise.plan.model import BackdropPlan, Look, Patch, Plan, RatioTarget, Separation

BACKDROP = "backdrop"
"""How `[[separation]]` names the backdrop instead of a patch."""

_OF_THE_SET = (None, "paper")
"""Materials that stay when the sitter changes clothes, as long as the patch doesn't follow."""


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
        camera = self.plan.camera
        return bool(
            self.plan.patches
            or self.plan.looks
            or self.plan.ratios
            or self.plan.separations
            or self.plan.backdrop
            or "limits" in self.plan.model_fields_set
            or camera.iso
            or camera.f_number
            or camera.shutter
        )


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
    worn = None if look is None else _look(plan, look)
    measured = _patches(plan, worn)
    judged = tuple(patch for patch in measured if _is_lit(patch, plan, lit))
    names = {patch.name for patch in judged}
    ratios = plan.ratios if worn is None else (*plan.ratios, *worn.ratios)
    backdrop = plan.backdrop if _backdrop_is_lit(plan, lit) else None
    sides = names | ({BACKDROP} if backdrop else set())
    return PlanNow(
        plan=plan,
        measured=measured,
        patches=judged,
        ratios=tuple(target for target in ratios if {target.lit, target.shadow} <= names),
        separations=tuple(
            target for target in plan.separations if {target.lighter, target.darker} <= sides
        ),
        backdrop=backdrop,
        powers=powers or {},
        lit=None if lit is None else frozenset(lit),
    )


def _look(plan: Plan, name: str) -> Look:
    for look in plan.looks:
        if look.name == name:
            return look
    known = ", ".join(look.name for look in plan.looks) or "none"
    msg = f"the plan has no look {name!r}; it has: {known}"
    raise ValueError(msg)


def stays_with_the_set(patch: Patch) -> bool:
    """Tell whether a patch stays when the sitter changes clothes: a chip, the paper."""
    return patch.material in _OF_THE_SET and not patch.follow


def _patches(plan: Plan, worn: Look | None) -> tuple[Patch, ...]:
    if worn is None:
        return plan.patches
    own = {patch.name for patch in worn.patches}
    stays = (patch for patch in plan.patches if stays_with_the_set(patch) and patch.name not in own)
    return (*stays, *worn.patches)


def _is_lit(patch: Patch, plan: Plan, lit: Collection[str] | None) -> bool:
    if lit is None:
        return True
    needed = patch.lit_by or tuple(light.name for light in plan.lights)
    return set(needed) <= set(lit)


def _backdrop_is_lit(plan: Plan, lit: Collection[str] | None) -> bool:
    if lit is None:
        return True
    lamps = [light.name for light in plan.lights if light.role == "background"]
    return set(lamps or (light.name for light in plan.lights)) <= set(lit)

"""The plan's model: every table and key of a plan file, with its unit, range and default."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from stopwise.plan.materials import MATERIALS, PLAIN, Material

Fraction = Annotated[float, Field(ge=0.0, le=1.0, allow_inf_nan=False)]
Stops = Annotated[float, Field(ge=-20.0, le=20.0, allow_inf_nan=False)]
Tolerance = Annotated[float, Field(ge=0.0, le=20.0, allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
ZoneWish = Annotated[float, Field(ge=-5.0, le=12.0, allow_inf_nan=False)]
Name = Annotated[str, Field(min_length=1, max_length=80)]
Box = tuple[Fraction, Fraction, Fraction, Fraction]
Role = Literal["key", "fill", "hair", "rim", "kicker", "edge", "background", "other"]


class Table(BaseModel):
    """A table of the plan: frozen, and strict about its keys."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class CameraPlan(Table):
    """`[camera]`: the settings that the plan is made for, and what is known of the body."""

    iso: Positive | None = None
    f_number: Positive | None = None
    shutter: Positive | None = None
    sync_speed: Positive | None = None
    mid_grey: Annotated[float, Field(gt=0.0, lt=1.0)] | None = None
    mid_grey_model: str | None = None
    mid_grey_iso: Positive | None = None
    balance: Literal["daylight", "as shot"] | tuple[Positive, Positive, Positive] = "daylight"
    raw_clip: Positive | None = None


class Light(Table):
    """`[[light]]`: one lamp, where it stands, what it gives and what its pack can do."""

    name: Name
    role: Role = "other"
    kind: Literal["flash", "continuous"] = "flash"
    modifier: str | None = None
    off_axis: Annotated[float, Field(ge=-360.0, le=360.0)] | None = None
    elevation: Annotated[float, Field(ge=-90.0, le=90.0)] | None = None
    distance: Positive | None = None
    meter: Positive | None = None
    meter_at: Literal["lamp", "camera"] = "lamp"
    power: Stops | None = None
    step: Positive = 0.1
    range: tuple[Stops, Stops] = (-8.0, 0.0)
    scale: Literal["stops", "fraction", "of 10", "Ws"] = "stops"
    full_ws: Positive | None = None


class Patch(Table):
    """`[[patch]]`: a named box of the frame and what is wished there."""

    name: Name
    box: Box
    material: str | None = None
    zone: ZoneWish | None = None
    within: Tolerance | None = None
    over: Tolerance | None = None
    under: Tolerance | None = None
    may_clip: Fraction | None = None
    headroom: Stops | None = None
    follow: bool = False
    must_see: bool = False
    lit_by: tuple[Name, ...] = ()

    @property
    def defaults(self) -> Material:
        """The row of the material table that holds for this patch."""
        return MATERIALS[self.material] if self.material else PLAIN


class RatioWish(Table):
    """`[[ratio]]`: how far lit is to be from shadow, stops."""

    lit: Name
    shadow: Name
    stops: Stops
    within: Tolerance = 0.3


class Apart(Table):
    """`[[apart]]`: how far one patch is to stand out from another, stops."""

    lighter: Name
    darker: Name
    at_least: Stops


class BackdropPlan(Table):
    """`[backdrop]`: where the backdrop is seen and how it is to lie."""

    boxes: tuple[Box, ...]
    zone: ZoneWish | None = None
    over: Tolerance = 0.2
    under: Tolerance = 0.2
    left_right: Stops | None = None
    left_right_within: Tolerance = 0.15
    falloff: Stops | None = None
    falloff_within: Tolerance = 0.3
    uneven: Tolerance | None = None
    blotch: Tolerance | None = None
    tint: Tolerance | None = None


class MayClip(Table):
    """`[[may_clip]]`: a place that is meant to clip."""

    name: Name
    box: Box


class Limits(Table):
    """`[limits]`: what holds for the whole frame."""

    blown_area: Fraction = 0.0001
    pinpoint_largest: Fraction = 0.00005
    pinpoints_total: Fraction = 0.0005
    blocked: Fraction = 0.3
    drift: Tolerance = 0.1


class Frames(Table):
    """`[frames]`: files beside the plan that have a part to play."""

    grey: str | None = None
    ambient: str | None = None
    plate: str | None = None
    reference: str | None = None
    solo: dict[str, str] = {}


class SetPlan(Table):
    """`[set]`: what a rebuild needs besides the lamps; lengths in metres."""

    sitter_to_paper: Positive | None = None
    camera_to_sitter: Positive | None = None
    camera_height: Positive | None = None
    lens_mm: Positive | None = None
    paper: str | None = None
    note: str | None = None


class Panel(Table):
    """`[[panel]]`: a flag, a board or a scrim."""

    kind: Literal["flag", "black board", "white board", "scrim"]
    off_axis: float | None = None
    distance: Positive | None = None
    height: float | None = None
    note: str | None = None


class Look(Table):
    """`[[look]]`: other clothes or another sitter under the same lamps."""

    name: Name
    patches: tuple[Patch, ...] = Field(default=(), alias="patch")
    ratios: tuple[RatioWish, ...] = Field(default=(), alias="ratio")


class Plan(Table):
    """A whole plan file. Every table but `schema` is optional; an empty plan still measures."""

    schema_version: Literal[1] = Field(default=1, alias="schema")
    title: str | None = None
    camera: CameraPlan = CameraPlan()
    lights: tuple[Light, ...] = Field(default=(), alias="light")
    patches: tuple[Patch, ...] = Field(default=(), alias="patch")
    ratios: tuple[RatioWish, ...] = Field(default=(), alias="ratio")
    aparts: tuple[Apart, ...] = Field(default=(), alias="apart")
    backdrop: BackdropPlan | None = None
    may_clip: tuple[MayClip, ...] = ()
    limits: Limits = Limits()
    frames: Frames = Frames()
    set_: SetPlan = Field(default=SetPlan(), alias="set")
    panels: tuple[Panel, ...] = Field(default=(), alias="panel")
    looks: tuple[Look, ...] = Field(default=(), alias="look")

    def light(self, name: str) -> Light | None:
        """Return the lamp called `name`, or None."""
        return next((light for light in self.lights if light.name == name), None)

    def patch(self, name: str) -> Patch | None:
        """Return the patch called `name`, or None."""
        return next((patch for patch in self.patches if patch.name == name), None)

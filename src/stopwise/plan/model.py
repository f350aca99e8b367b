"""The plan's model: every table and key of a plan file, with what it means and an example.

The descriptions and examples here feed the messages about wrong keys, `plan new` and the tests
that keep docs/plan.md whole.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, PrivateAttr

from stopwise.nominal import say_power
from stopwise.plan.kinds import (
    Balance,
    Box,
    Elevation,
    ExposureValue,
    FileName,
    FNumber,
    Fraction,
    Iso,
    Length,
    MaterialName,
    MidGrey,
    Millimetres,
    Name,
    Note,
    OffAxis,
    Positive,
    Power,
    PowerRange,
    Role,
    Shutter,
    Step,
    Stops,
    Switch,
    Tolerance,
    TopFigure,
    WattSeconds,
    ZoneTarget,
)
from stopwise.plan.materials import MATERIALS, PLAIN, Material
from stopwise.plan.old_keys import OldKey


def _key(default: Any, about: str, example: object, **more: Any) -> Any:
    """Describe one key of the plan: its default, what it means, and a right value."""
    return Field(default, description=about, examples=[example], **more)


class Table(BaseModel):
    """A table of the plan: frozen, and strict about its keys."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class CameraPlan(Table):
    """`[camera]`: the settings that the plan is made for, and what is known of the body."""

    iso: Iso | None = _key(None, "ISO speed", 100)
    f_number: FNumber | None = _key(None, "f-number of the lens", 11.0)
    shutter: Shutter | None = _key(None, "shutter time", "1/160")
    sync_speed: Shutter | None = _key(None, "shortest time that syncs with flash", "1/200")
    mid_grey: MidGrey | None = _key(None, "mid-grey as a fraction of the named white", 0.127)
    mid_grey_model: Note | None = _key(None, "body that mid_grey was set for", "Model of the body")
    mid_grey_iso: Iso | None = _key(None, "ISO that mid_grey was set for", 100)
    balance: Balance = _key("daylight", "white balance for measuring", "daylight")
    raw_clip: Positive | None = _key(None, "raw level at which photosites stop", 15800)


class Light(Table):
    """`[[light]]`: one lamp, where it stands, what it gives and what its pack can do."""

    name: Name = _key(..., "name of the lamp", "key")
    role: Role = _key("other", "what the lamp is for", "key")
    kind: Literal["flash", "continuous"] = _key("flash", "flash or continuous light", "flash")
    modifier: Note | None = _key(None, "what shapes the light", "snoot")
    grid: Note | None = _key(None, "grid in front of it", "20 degrees")
    gel: Note | None = _key(None, "colour or diffusion gel", "quarter diffusion")
    stand: Note | None = _key(None, "what holds it up", "boom")
    pack: Note | None = _key(None, "pack or head that feeds it", "pack A, socket 1")
    off_axis: OffAxis | None = _key(
        None, "degrees round the sitter from the camera axis, to camera right positive", 60
    )
    elevation: Elevation | None = _key(None, "degrees above the sitter", 35)
    distance: Length | None = _key(None, "metres from the sitter", 1.8)
    meter: FNumber | None = _key(None, "meter reading of this lamp alone", 11.0)
    meter_at: Literal["lamp", "camera"] = _key("lamp", "where the meter's dome faced", "lamp")
    full_ws: WattSeconds | None = _key(None, "full power in watt-seconds", 500)
    power: Power | None = _key(None, "power in stops below full", -2.0)
    step: Step = _key(0.1, "smallest step of its power, stops", 0.1)
    range: PowerRange = _key((-8.0, 0.0), "least and greatest power, stops from full", [-8.0, 0.0])
    scale: Literal["stops", "fraction", "figure", "Ws"] = _key(
        "stops", "how the pack shows its power", "stops"
    )
    full_reads: TopFigure = _key(
        10.0, "what a dial of figures reads at full power; 1 less is 1 stop less", 10
    )
    note: Note | None = _key(None, "anything else", "flagged off the lens")

    def power_shown(self, stops: float) -> str:
        """Return a power, stops from full, as this lamp's pack shows it."""
        return say_power(stops, scale=self.scale, full_ws=self.full_ws, full_reads=self.full_reads)


class Patch(Table):
    """`[[patch]]`: a named box of the frame and its targets."""

    name: Name = _key(..., "name of the patch", "lit cheek")
    box: Box = _key(
        ..., "x0, y0, x1, y1 as fractions of the upright picture", [0.52, 0.40, 0.58, 0.48]
    )
    material: MaterialName | None = _key(None, "what the patch is of", "skin")
    zone: ZoneTarget | None = _key(None, "target zone, mid-grey is 5", 6.5)
    within: Tolerance | None = _key(None, "stops over and under that still hold", 0.3)
    over: Tolerance | None = _key(None, "stops over that still hold", 0.2)
    under: Tolerance | None = _key(None, "stops under that still hold", 0.3)
    may_clip: Fraction | None = _key(None, "greatest share of the patch in blown areas", 0.001)
    headroom: Stops | None = _key(None, "stops under clip that its brightest part must keep", 0.5)
    follow: Switch = _key(default=False, about="found again when the sitter moves", example=True)
    must_see: Switch | None = _key(
        default=None, about="no verdict without this patch; skin's default", example=True
    )
    lit_by: tuple[Name, ...] = _key((), "names of the lamps that light it", ["key", "fill"])

    @property
    def is_needed(self) -> bool:
        """Whether there is no verdict without this patch."""
        return self.defaults.must_see if self.must_see is None else self.must_see

    @property
    def defaults(self) -> Material:
        """The row of the material table that holds for this patch."""
        return MATERIALS[self.material] if self.material else PLAIN


class RatioTarget(Table):
    """`[[ratio]]`: how far lit is to be from shadow, stops."""

    lit: Name = _key(..., "patch on the lit side", "lit cheek")
    shadow: Name = _key(..., "patch on the shadow side", "shadow cheek")
    stops: Stops = _key(..., "stops from shadow up to lit", 2.0)
    within: Tolerance = _key(0.3, "stops over and under that still hold", 0.3)


class Separation(Table):
    """`[[separation]]`: how far one patch is to stand out from another, stops."""

    lighter: Name = _key(..., 'the lighter patch, or "backdrop"', "hair")
    darker: Name = _key(..., 'the darker patch, or "backdrop"', "backdrop")
    at_least: Stops = _key(..., "least stops between them", 0.7)


class BackdropPlan(Table):
    """`[backdrop]`: where the backdrop is seen and how it is to lie."""

    boxes: tuple[Box, ...] = _key(
        ..., "places where only backdrop is seen", [[0.02, 0.1, 0.3, 0.6], [0.7, 0.1, 0.98, 0.6]],
        min_length=1,
    )  # fmt: skip
    zone: ZoneTarget | None = _key(None, "target zone, mid-grey is 5", 4.5)
    over: Tolerance = _key(0.2, "stops over that still hold", 0.2)
    under: Tolerance = _key(0.2, "stops under that still hold", 0.2)
    left_right: Stops | None = _key(None, "left minus right, stops", 0.0)
    left_right_within: Tolerance = _key(0.15, "stops of left_right that still hold", 0.15)
    falloff: Stops | None = _key(None, "brightest to darkest, stops", 1.0)
    falloff_within: Tolerance = _key(0.3, "stops of falloff that still hold", 0.3)
    uneven: Tolerance | None = _key(None, "greatest unevenness, RMS stops", 0.05)
    blotch: Tolerance | None = _key(None, "greatest single blotch, stops", 0.15)
    tint: Tolerance | None = _key(None, "greatest change of colour left to right, stops", 0.05)


class MayClip(Table):
    """`[[may_clip]]`: a place that is meant to clip."""

    name: Name = _key(..., "name of the place", "window")
    box: Box = _key(..., "x0, y0, x1, y1 as fractions of the upright picture", [0.0, 0.0, 0.1, 0.1])


class Limits(Table):
    """`[limits]`: what holds for the whole frame, as fractions of it unless said otherwise."""

    blown_area: Fraction = _key(0.0001, "greatest blown area outside patches", 0.0001)
    pinpoint_largest: Fraction = _key(0.00005, "greatest speck that is a pinpoint", 0.00005)
    pinpoints_total: Fraction = _key(0.0005, "greatest sum of pinpoints", 0.0005)
    blocked: Fraction = _key(0.3, "greatest blocked share of dark cloth", 0.3)
    drift: Tolerance = _key(0.1, "stops off a take's median that still hold", 0.1)


class Frames(Table):
    """`[frames]`: files beside the plan that have a part to play."""

    grey: FileName | None = _key(None, "frame of the grey card", "F0001.dng")
    ambient: FileName | None = _key(None, "frame without any flash", "F0002.dng")
    plate: FileName | None = _key(None, "clean plate: the backdrop without sitter", "F0009.dng")
    reference: FileName | None = _key(None, "frame that followed patches are cut from", "F0012.dng")
    solo: dict[Name, FileName] = _key({}, "frame of each lamp alone", {"key": "F0003.dng"})
    white_card: dict[Name, FileName] = _key(
        {}, "frame of a lamp alone on a white card held at the face", {"key": "F0008.dng"}
    )


class SetPlan(Table):
    """`[set]`: what a rebuild needs besides the lamps; lengths in metres."""

    sitter_to_paper: Length | None = _key(None, "metres from sitter to backdrop", 2.2)
    camera_to_sitter: Length | None = _key(None, "metres from camera to sitter", 3.0)
    camera_height: Length | None = _key(None, "metres from floor to lens", 1.5)
    lens_mm: Millimetres | None = _key(None, "focal length in millimetres", 85)
    paper: Note | None = _key(None, "backdrop that hangs there", "mid-grey paper, 2.7 m")
    ambient_ev: ExposureValue | None = _key(
        None, "EV at ISO 100 that an incident meter reads with no lamp on", 3.0
    )
    note: Note | None = _key(None, "anything else", "tape on the floor for both feet")


class Panel(Table):
    """`[[panel]]`: a flag, a board or a scrim."""

    kind: Literal["flag", "black board", "white board", "scrim"] = _key(
        ..., "flag, black board, white board or scrim", "flag"
    )
    off_axis: OffAxis | None = _key(
        None, "degrees round the sitter from the camera axis, to camera right positive", -70
    )
    distance: Length | None = _key(None, "metres from the sitter", 0.9)
    height: Length | None = _key(None, "metres from the floor to its middle", 1.6)
    note: Note | None = _key(None, "anything else", "keeps the hair light off the lens")


class Look(Table):
    """`[[look]]`: other clothes or another sitter under the same lamps."""

    name: Name = _key(..., "name of the look", "black jacket")
    patches: tuple[Patch, ...] = Field(default=(), alias="patch")
    ratios: tuple[RatioTarget, ...] = Field(default=(), alias="ratio")


class Plan(Table):
    """A whole plan file. Every table but `schema` is optional; an empty plan still measures."""

    schema_version: Literal[1] = _key(1, "version of the plan's format", 1, alias="schema")
    title: Note | None = _key(None, "title of the shoot", "Fencer, hard light")
    camera: CameraPlan = CameraPlan()
    lights: tuple[Light, ...] = Field(default=(), alias="light")
    patches: tuple[Patch, ...] = Field(default=(), alias="patch")
    ratios: tuple[RatioTarget, ...] = Field(default=(), alias="ratio")
    separations: tuple[Separation, ...] = Field(default=(), alias="separation")
    backdrop: BackdropPlan | None = None
    may_clip: tuple[MayClip, ...] = ()
    limits: Limits = Limits()
    frames: Frames = Frames()
    set_: SetPlan = Field(default=SetPlan(), alias="set")
    panels: tuple[Panel, ...] = Field(default=(), alias="panel")
    looks: tuple[Look, ...] = Field(default=(), alias="look")
    _old_keys: tuple[OldKey, ...] = PrivateAttr(default=())

    @property
    def old_keys(self) -> tuple[OldKey, ...]:
        """Keys of the file that have another name now; the next edit writes them new."""
        return self._old_keys

    def light(self, name: str) -> Light | None:
        """Return the lamp called `name`, or None."""
        return next((light for light in self.lights if light.name == name), None)

    def patch(self, name: str) -> Patch | None:
        """Return the patch called `name`, or None."""
        return next((patch for patch in self.patches if patch.name == name), None)

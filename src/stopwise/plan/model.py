"""The plan's model: every table and key of a plan file, with what it means and an example.

The descriptions and examples here feed the messages about wrong keys, `plan new` and
docs/plan-keys.md.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from pydantic import BaseModel, ConfigDict, Field, PrivateAttr

from stopwise.errors import WrongUse
from stopwise.frame import Held
from stopwise.plan.kinds import (
    MATERIALS,
    MOST_BOXES,
    MOST_LAMPS,
    MOST_LOOKS,
    MOST_PATCHES,
    OPEN,
    PLAIN,
    Balance,
    Box,
    Elevation,
    ExposureValue,
    FileName,
    FNumber,
    Fraction,
    Iso,
    Length,
    Material,
    MidGrey,
    Millimetres,
    Name,
    Note,
    OffAxis,
    Positive,
    Power,
    PowerRange,
    Role,
    Scatter,
    Shutter,
    SoloFrames,
    Step,
    Stops,
    Switch,
    ThreeStops,
    Tolerance,
    TopFigure,
    TwoFrames,
    WattSeconds,
    ZoneOrOpen,
    ZoneTarget,
)
from stopwise.plan.places import OldKey
from stopwise.plan.readings import as_the_dial_reads, read_power
from stopwise.stops import say_power

if TYPE_CHECKING:
    from collections.abc import Mapping

BACKDROP = "backdrop"
"""How `[[separation]]` names the backdrop instead of a patch."""

OVERHEAD_DEG = 45.0
"""Degrees of elevation from which a lamp counts as being over the sitter (common practice)."""

_NEAR_M = 1.2
"""Metres that a raised lamp may stand off the sitter and still fall on him (common practice)."""

MaterialName = Literal["skin", "white cloth", "hair", "black cloth", "metal", "paper"]


def _key(default: Any, about: str, example: object, **more: Any) -> Any:
    """Describe one key of the plan: its default, what it means, and a right value."""
    return Field(default, description=about, examples=[example], **more)


class Table(BaseModel):
    """A table of the plan: frozen, and strict about its keys."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class ClipPlan(Table):
    """`[camera.clip]`: where a body's photosites stop, as a frame shot far over showed."""

    body: Note | None = _key(None, "body that it was read from", "Model of the body")
    iso: Iso | None = _key(None, "ISO that it was read at", 100)
    white: Positive = _key(..., "white level that the body's files name", 16383)
    level: dict[Name, Positive] = _key(
        ..., "raw level at which photosites stop, by colour", {"R": 15801.0, "G": 15790.0},
        min_length=1,
    )  # fmt: skip
    spread: dict[Name, Scatter] = _key(
        {}, "how that scatters from photosite to photosite, raw levels", {"R": 12.5, "G": 12.0}
    )


class CameraPlan(Table):
    """`[camera]`: the settings that the plan is made for, and what is known of the body."""

    iso: Iso | None = _key(None, "ISO speed", 100)
    f_number: FNumber | None = _key(None, "f-number of the lens", 11.0)
    shutter: Shutter | None = _key(None, "shutter time", "1/160")
    sync_speed: Shutter | None = _key(
        None, "shortest time that syncs with flash: its manual says it", "1/200"
    )
    mid_grey: MidGrey | None = _key(
        None, "mid-grey as a fraction of the named white, from a card", 0.127
    )
    mid_grey_model: Note | None = _key(None, "body that mid_grey was set for", "Model of the body")
    mid_grey_iso: Iso | None = _key(None, "ISO that mid_grey was set for", 100)
    balance: Balance = _key(
        "daylight", "white balance for measuring; or R, G, B multipliers", "daylight"
    )
    raw_clip: Positive | None = _key(
        None, "raw level at which photosites stop; overrules frames", 15800
    )
    clip: ClipPlan | None = Field(
        default=None, description="where photosites stop, from a frame shot over"
    )


class Light(Table):
    """`[[light]]`: one lamp, where it stands, what it gives and what its pack can do."""

    name: Name = _key(..., "name of the lamp", "key")
    role: Role = _key("other", "what the lamp is for", "key")
    kind: Literal["flash", "continuous"] = _key("flash", "flash or continuous light", "flash")
    modifier: Note | None = _key(None, "what shapes the light", "snoot")
    grid: Note | None = _key(None, "grid in front of it", "20 degrees")
    gel: Note | None = _key(None, "colour or diffusion gel", "quarter diffusion")
    stand: Note | None = _key(None, "what holds it up", "boom")
    pack: Note | None = _key(
        None, "pack that feeds it; heads on one turn together unless they are asymmetric", "pack A"
    )
    share: Fraction | None = _key(
        None, "part of the pack's energy that it gets, for the record", 0.5
    )
    asymmetric: Switch = _key(
        default=False, about="whether its pack turns this head by itself", example=True
    )
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

    def power_read(self, said: str) -> float:
        """Return a power as its dial reads it, in stops from full: "7.2", "1/4", "250", "-2.8".

        Raises
        ------
        WrongUse
            If it is no power, or lies outside the lamp's range.
        """
        text = as_the_dial_reads(said, scale=self.scale, full_reads=f"{self.full_reads:g}")
        power = read_power(text, full_ws=self.full_ws)
        least, most = self.range
        if least - 1e-9 <= power <= most + 1e-9:
            return power
        ends = f"{self.power_shown(least)} to {self.power_shown(most)}"
        msg = f"{self.name} can't stand at {said}: its power goes from {ends}."
        raise WrongUse(msg)

    @property
    def is_on_boom(self) -> bool:
        """Whether stand or note says that a boom holds it."""
        return "boom" in f"{self.stand or ''} {self.note or ''}".lower()

    @property
    def is_overhead(self) -> bool:
        """Whether it may fall on the sitter: on a boom, for the hair, high up, or near.

        Where the plan doesn't say how high a lamp is, it may.
        """
        if self.is_on_boom or self.role == "hair" or self.elevation is None:
            return True
        if self.elevation <= 0.0 or self.elevation >= OVERHEAD_DEG:
            return self.elevation > 0.0
        away = math.cos(math.radians(self.elevation))
        return self.distance is not None and self.distance * away < _NEAR_M


class Gel(Table):
    """`[[gel]]`: a filter that lamps may wear, and what it lets through."""

    name: Name = _key(..., "name of the gel", "amber")
    stops: ThreeStops | None = _key(None, "what it passes of R, G, B, stops", [-0.2, -0.7, -2.1])
    frame: FileName | None = _key(None, "or a frame of a lamp alone under it", "F0020.dng")
    lamp: Name | None = _key(None, "the lamp of that frame, all else as in its solo", "hair")


class Patch(Table):
    """`[[patch]]`: a named box of the frame and its targets."""

    name: Name = _key(..., "name of the patch", "lit cheek")
    box: Box = _key(
        ..., "x0, y0, x1, y1 as fractions of the upright picture", [0.52, 0.40, 0.58, 0.48]
    )
    material: MaterialName | None = _key(None, "what the patch is of", "skin")
    zone: ZoneOrOpen | None = _key(
        None, 'target zone, mid-grey is 5; "open" until a frame is adopted', 6.5
    )
    within: Tolerance | None = _key(None, "stops over and under that still hold", 0.3)
    over: Tolerance | None = _key(None, "stops over that still hold", 0.2)
    under: Tolerance | None = _key(None, "stops under that still hold", 0.3)
    may_clip: Fraction | None = _key(None, "greatest share of the patch in blown areas", 0.001)
    headroom: Stops | None = _key(None, "stops under clip that its brightest part must keep", 0.5)
    texture: Tolerance | None = _key(None, "greatest texture, RMS stops", 0.3)
    follow: Switch = _key(default=False, about="found again when the sitter moves", example=True)
    still: Switch = _key(
        default=False, about="on a still thing: a chip, a stand, the paper", example=True
    )
    must_see: Switch | None = _key(
        default=None, about="no verdict without this patch; skin's default", example=True
    )
    lit_by: tuple[Name, ...] = _key(
        (),
        "lamps that light it; only they are named when it is off",
        ["key", "fill"],
        max_length=MOST_LAMPS,
    )

    @property
    def is_needed(self) -> bool:
        """Whether there is no verdict without this patch."""
        return self.defaults.must_see if self.must_see is None else self.must_see

    @property
    def defaults(self) -> Material:
        """The row of the material table that holds for this patch."""
        return MATERIALS[self.material] if self.material else PLAIN

    @property
    def target_zone(self) -> float | None:
        """Its own target zone, or its material's; None without one, and while it is open."""
        if self.zone is None:
            return self.defaults.zone
        return None if self.zone == "open" else self.zone

    @property
    def is_open(self) -> bool:
        """Whether its target zone is still to be adopted."""
        return self.zone == OPEN

    @property
    def allows(self) -> tuple[float, float]:
        """Stops under and over its target zone that still hold, both 0 or above."""
        row = self.defaults
        under = (self.under, self.within, row.under, PLAIN.under)
        over = (self.over, self.within, row.over, PLAIN.over)
        least, most = (next(v for v in side if v is not None) for side in (under, over))
        return least, most

    @property
    def least_headroom(self) -> float | None:
        """Stops that its brightest part must keep under clip, its own or its material's."""
        return self.headroom if self.headroom is not None else self.defaults.headroom

    @property
    def most_clipped(self) -> float:
        """Greatest share of it in blown areas, its own or its material's."""
        return self.may_clip if self.may_clip is not None else self.defaults.may_clip


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
        min_length=1, max_length=MOST_BOXES,
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


class LimitsPlan(Table):
    """`[limits]`: what holds for the whole frame, as fractions of it unless said otherwise."""

    blown_area: Fraction = _key(0.0001, "greatest blown area outside patches", 0.0001)
    pinpoint_largest: Fraction = _key(0.00005, "greatest speck that is a pinpoint", 0.00005)
    pinpoints_total: Fraction = _key(0.0005, "greatest sum of pinpoints", 0.0005)
    blocked: Fraction = _key(0.3, "greatest blocked share of dark cloth", 0.3)
    drift: Tolerance = _key(0.1, "stops off a take's median that still hold", 0.1)


FrameRole = Literal["grey", "ambient", "plate", "reference", "clip", "solo", "white card"]
SINGLE_ROLES: tuple[FrameRole, ...] = ("grey", "ambient", "plate", "reference", "clip")
"""Roles that one frame of the plan has; a solo and a white card each lamp has of its own."""


class FramePart(NamedTuple):
    """The part that a frame plays in a plan: its role, and its lamp where it is of one.

    Such as ("grey", None), ("solo", "key") or ("white card", "key").
    """

    role: FrameRole
    lamp: str | None = None

    @property
    def asked(self) -> str:
        """How a person asks for it: "grey", "key" for its solo, "key white card"."""
        behind = " white card" if self.role == "white card" else ""
        return self.role if self.lamp is None else f"{self.lamp}{behind}"

    @property
    def words(self) -> str:
        """How it is told of: "grey", "solo of key", "white card of key"."""
        return self.role if self.lamp is None else f"{self.role} of {self.lamp}"

    @property
    def path(self) -> tuple[str, ...]:
        """Its key in the file: ("frames", "grey"), ("frames", "solo", "key")."""
        key = self.role.replace(" ", "_")
        return ("frames", key) if self.lamp is None else ("frames", key, self.lamp)


class MarkedFrame(NamedTuple):
    """A frame that the plan names: its part, and the file as it stands, seen from the plan.

    `less` is the frame that its light is taken over, of a solo out of two frames of the build-up.
    """

    part: FramePart
    file: str
    less: str | None = None

    @property
    def files(self) -> tuple[str, ...]:
        """Every file that it needs."""
        return (self.file,) if self.less is None else (self.file, self.less)

    @property
    def words(self) -> str:
        """How it is told of: "F0005.dng", "F0005.dng less F0004.dng"."""
        return " less ".join(self.files)

    @property
    def value(self) -> str | dict[str, str]:
        """How it stands in the plan."""
        return self.file if self.less is None else {"frame": self.file, "less": self.less}


class FramesPlan(Table):
    """`[frames]`: files beside the plan that have a part to play."""

    grey: FileName | None = _key(None, "frame of the grey card", "F0001.dng")
    ambient: FileName | None = _key(None, "frame without any flash", "F0002.dng")
    plate: FileName | None = _key(None, "clean plate: the backdrop without sitter", "F0009.dng")
    reference: FileName | None = _key(None, "frame that followed patches are cut from", "F0012.dng")
    clip: FileName | None = _key(None, "frame shot far over: where this body stops", "F0000.dng")
    solo: dict[Name, SoloFrames] = _key(
        {}, "each lamp alone: a frame, or one less another", {"key": "F0003.dng"},
        max_length=MOST_LAMPS,
    )  # fmt: skip
    white_card: dict[Name, FileName] = _key(
        {}, "frame of a lamp alone on a white card held at the face", {"key": "F0008.dng"},
        max_length=MOST_LAMPS,
    )  # fmt: skip

    @property
    def marked(self) -> tuple[MarkedFrame, ...]:
        """Every frame that is named, in the order of the keys."""
        single = ((FramePart(role), getattr(self, role)) for role in SINGLE_ROLES)
        cards = ((FramePart("white card", lamp), name) for lamp, name in self.white_card.items())
        return (
            *(MarkedFrame(part, name) for part, name in single if name),
            *self.solos,
            *(MarkedFrame(part, name) for part, name in cards),
        )

    @property
    def solos(self) -> tuple[MarkedFrame, ...]:
        """The frames of each lamp alone."""
        return tuple(
            MarkedFrame(FramePart("solo", lamp), one.frame, one.less)
            if isinstance(one, TwoFrames)
            else MarkedFrame(FramePart("solo", lamp), one)
            for lamp, one in self.solo.items()
        )

    def of(self, part: FramePart) -> MarkedFrame | None:
        """Return the frame that plays a part, or None."""
        return next((frame for frame in self.marked if frame.part == part), None)


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


def _tables(key: str, about: str = "", default: Any = (), most: int | None = None) -> Any:
    """Describe tables of the plan: their key in the file, what they are for, how many at most."""
    return Field(default=default, alias=key, description=about, max_length=most)


class Look(Table):
    """`[[look]]`: other clothes or another sitter under the same lamps, or the camera turned.

    A look with an `orientation` is for frames of another orientation than the plan's own boxes
    hold for; it is chosen by itself, and nothing that is placed in the picture is taken over.
    """

    name: Name = _key(..., "name of the look", "black jacket")
    of: Name | None = _key(None, "the look that this is with the camera turned", "black jacket")
    orientation: Held | None = _key(
        None, "how the camera is turned, where that isn't as for the plan's own boxes", "upright"
    )
    patches: tuple[Patch, ...] = _tables("patch", most=MOST_PATCHES)
    ratios: tuple[RatioTarget, ...] = _tables("ratio", most=MOST_PATCHES)
    backdrop: BackdropPlan | None = _tables("backdrop", "the backdrop in its picture", None)
    may_clip: tuple[MayClip, ...] = _tables(
        "may_clip", "places meant to clip in its picture", most=MOST_PATCHES
    )


class Plan(Table):
    """A whole plan file, its tables in the order of a new plan.

    Every table but `schema` is optional; an empty plan still measures.
    """

    schema_version: Literal[1] = _key(1, "version of the plan's format", 1, alias="schema")
    title: Note | None = _key(None, "title of the shoot", "Fencer, hard light")
    camera: CameraPlan = _tables("camera", "what the camera is set to", CameraPlan())
    lights: tuple[Light, ...] = _tables(
        "light", "one for each lamp, in the order in which they come up", most=MOST_LAMPS
    )
    panels: tuple[Panel, ...] = _tables("panel", "flags, boards and scrims", most=MOST_PATCHES)
    gels: tuple[Gel, ...] = _tables("gel", "filters that lamps may wear", most=MOST_PATCHES)
    set_: SetPlan = _tables("set", "what a rebuild needs, lengths in metres", SetPlan())
    patches: tuple[Patch, ...] = _tables(
        "patch", "places of the frame, with their targets", most=MOST_PATCHES
    )
    ratios: tuple[RatioTarget, ...] = _tables(
        "ratio", "stops from shadow up to lit, between patches of the same material",
        most=MOST_PATCHES,
    )  # fmt: skip
    separations: tuple[Separation, ...] = _tables(
        "separation", "least stops between two patches", most=MOST_PATCHES
    )
    backdrop: BackdropPlan | None = _tables(
        "backdrop", "where the backdrop is seen, and how it is to lie", None
    )
    may_clip: tuple[MayClip, ...] = _tables(
        "may_clip", "places that are meant to clip", most=MOST_PATCHES
    )
    limits: LimitsPlan = _tables("limits", "what holds for the whole frame", LimitsPlan())
    frames: FramesPlan = _tables("frames", "frames that have a part to play", FramesPlan())
    looks: tuple[Look, ...] = _tables(
        "look", "other clothes, or the camera turned", most=MOST_LOOKS
    )
    _old_keys: tuple[OldKey, ...] = PrivateAttr(default=())
    _folder: Path | None = PrivateAttr(default=None)

    def turned_with(self, name: str) -> tuple[str, ...]:
        """Return the lamps whose power one dial turns with a lamp's, itself among them."""
        light = self.light(name)
        if light is None or light.pack is None or light.asymmetric:
            return (name,)
        pack = light.pack.casefold()
        return tuple(
            one.name
            for one in self.lights
            if one.pack is not None and one.pack.casefold() == pack and not one.asymmetric
        )

    @property
    def is_steady(self) -> bool:
        """Whether all lamps burn all the time, so that the shutter dims everything."""
        return bool(self.lights) and all(light.kind == "continuous" for light in self.lights)

    def at_powers(self, powers: Mapping[str, float]) -> Plan:
        """Return this plan with some lamps' dials elsewhere, stops below full, by name."""
        lights = tuple(
            light.model_copy(update={"power": powers.get(light.name, light.power)})
            for light in self.lights
        )
        return self.model_copy(update={"lights": lights})

    @property
    def folder(self) -> Path | None:
        """Where the file lies that it was read from: its own frames lie there; None for text."""
        return self._folder

    @property
    def old_keys(self) -> tuple[OldKey, ...]:
        """Keys of the file that have another name now; the next edit writes them new."""
        return self._old_keys

    def with_old_keys(self, old_keys: tuple[OldKey, ...]) -> Plan:
        """Return this plan, which was read from a file with these old keys."""
        self._old_keys = old_keys
        return self

    @property
    def parts(self) -> tuple[FramePart, ...]:
        """Every part that a frame can play in this plan."""
        names = [light.name for light in self.lights]
        solos = (FramePart("solo", name) for name in names)
        cards = (FramePart("white card", name) for name in names)
        return (*(FramePart(role) for role in SINGLE_ROLES), *solos, *cards)

    def part(self, asked: str) -> FramePart | None:
        """Return the part that is asked for as "grey", "key" or "key white card", or None."""
        return next((part for part in self.parts if part.asked == asked), None)

    def look(self, name: str | None) -> Look | None:
        """Return the look called `name`, or None."""
        return next((look for look in self.looks if look.name == name), None)

    def light(self, name: str) -> Light | None:
        """Return the lamp called `name`, or None."""
        return next((light for light in self.lights if light.name == name), None)

    def patch(self, name: str) -> Patch | None:
        """Return the patch called `name`, or None."""
        return next((patch for patch in self.patches if patch.name == name), None)

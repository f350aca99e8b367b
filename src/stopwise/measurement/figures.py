"""Measurement: what one frame measured, each figure finite or None with its reason."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, is_dataclass
from typing import Any, Literal

from stopwise.frame import Box, Camera, Exposure, Point  # noqa: TC001 - read by these types too

SaturationSource = Literal["plan", "shot", "observed", "learned", "file"]
"""Where a saturation level comes from, strongest first."""


@dataclass(frozen=True, slots=True)
class Levels:
    """Black and saturation, raw levels, one for each colour of the frame.

    Attributes
    ----------
    black, saturation
        In the order of the frame's colours.
    anchor
        The levels that zones stand on: per-channel white, white, or the plan's `raw_clip`.
    saturation_source
        The weakest source among the colours; `shot` is the plan's `[camera.clip]`.
    tolerance
        Raw levels under saturation at which a photosite already counts as clipped.
    observed
        Level of the pile-up that this frame itself shows, by colour, for the ledger to learn;
        colours without one are left out.
    doubted
        Least raw level of each colour from which photosites may be full, where a peak can't be told
        from light for sure; None where none is in doubt.
    masked_black
        Mean level of the masked photosites, None for a colour with too few; None where the frame
        has none to compare with.
    why
        `black`: `black_off` where they differ from black by more than they may; black stays.
        `saturation`: `above_shot` where light stands above the plan's `[camera.clip]`, which isn't
        used then.
    """

    black: tuple[float, ...]
    saturation: tuple[float, ...]
    anchor: tuple[float, ...]
    saturation_source: SaturationSource
    tolerance: tuple[float, ...]
    observed: Mapping[str, float] = field(default_factory=dict)
    doubted: tuple[int, ...] | None = None
    masked_black: tuple[float | None, ...] | None = None
    why: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class BlownArea:
    """One connected area of clipped cells that is too large for a pinpoint.

    Attributes
    ----------
    fraction
        Of the frame's cells.
    box
        Its bounds.
    centre
        Its centroid.
    patch
        Name of the patch that its centre lies in, or None.
    """

    fraction: float
    box: Box
    centre: Point
    patch: str | None = None


@dataclass(frozen=True, slots=True)
class Pinpoints:
    """Specks under the plan's `pinpoint_largest`.

    Attributes
    ----------
    count
        How many.
    fraction
        Their share of the frame's cells, all together.
    """

    count: int
    fraction: float


@dataclass(frozen=True, slots=True)
class Clipping:
    """What is clipped or blocked, as fractions of the frame's cells unless said otherwise.

    Attributes
    ----------
    any, all
        Cells with at least one, and with every, photosite clipped.
    by_colour
        Share of each colour's photosites that are clipped; keys R, G, B (both greens as one) or M.
    headroom_stops
        Stops from the 99.9th percentile of a colour to its saturation, never below 0; same keys.
    areas
        Blown areas, largest first.
    pinpoints
        What is too small for an area.
    blocked
        Share of cells under Zone 1; None where zones aren't seen.
    may_be
        Least and most of `any` where a level can't be told for sure; None where it can.
    """

    any: float
    all: float
    by_colour: Mapping[str, float]
    headroom_stops: Mapping[str, float | None]
    areas: tuple[BlownArea, ...]
    pinpoints: Pinpoints
    blocked: float | None
    may_be: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class ClippedAtMost:
    """What is clipped at most, where it can't be told for sure whether photosites are full.

    Attributes
    ----------
    most
        Share of the frame's cells.
    areas
        Blown areas, largest first.
    patches
        Share of each patch's cells in them, by name.
    lower
        Stops that a colour may stop under what headroom is held against, the greatest.
    """

    most: float
    areas: tuple[BlownArea, ...]
    patches: Mapping[str, float]
    lower: float = 0.0


@dataclass(frozen=True, slots=True)
class Zones:
    """How the frame's cells spread over the zones.

    Attributes
    ----------
    share
        Eleven fractions, Zone 0 to X, each from k - 0.5 up to k + 0.5, ends open, clipped cells
        left out; None where mid-grey holds for another camera.
    clipped
        Fraction of cells with a clipped photosite.
    mid_grey
        Fraction of the anchor that counts as mid-grey.
    """

    share: tuple[float, ...] | None
    clipped: float
    mid_grey: float


@dataclass(frozen=True, slots=True)
class PatchReading:
    """What one patch measured. Zones in stops, mid-grey at 5; None with a reason in `why`.

    Attributes
    ----------
    zone
        Median of Y (hair: its 90th percentile) as a zone.
    uncertainty
        Standard uncertainty of `zone` in stops, from noise and sampling.
    top
        99th percentile as a zone.
    headroom
        Stops from the 99th percentile of the fullest colour to its saturation.
    texture
        RMS of log2 Y with the noise taken out, stops.
    clipped
        Share of its cells in blown areas.
    blocked
        Share of its cells under Zone 1.
    snr
        Signal to noise ratio of one cell, from differences between neighbours.
    red_green, blue_green
        Balanced R/G and B/G, stops.
    log2_y
        log2 of the patch's Y against the anchor, which needs no mid-grey: ratios, lamps and
        comparisons stand on it.
    box
        Where it was read.
    score
        How well it was found again; None where it doesn't follow.
    top_at
        Where its brightest hundredth lies, in the middle of it.
    why
        Name of the condition that keeps a figure from being seen, by figure.
    """

    box: Box
    zone: float | None
    uncertainty: float | None
    top: float | None
    headroom: float | None
    texture: float | None
    clipped: float
    blocked: float | None
    snr: float | None
    red_green: float | None
    blue_green: float | None
    log2_y: float | None
    score: float | None = None
    why: Mapping[str, str] = field(default_factory=dict)
    top_at: Point | None = None


@dataclass(frozen=True, slots=True)
class Ratio:
    """How far lit is from shadow.

    Attributes
    ----------
    stops
        log2(Y lit / Y shadow); None with `why`.
    by
        From two patches, or from the subject split in two.
    separability
        Otsu's between-class share of the variance, 0 to 1, for a split; None for patches.
    ashman
        Ashman's D of the split; None for patches.
    lit, shadow
        Names of the patches; None for a split.
    uncertainty
        Standard uncertainty of `stops`.
    why
        Name of the condition that keeps it from being seen.
    """

    stops: float | None
    by: Literal["patches", "split"]
    separability: float | None = None
    ashman: float | None = None
    lit: str | None = None
    shadow: str | None = None
    uncertainty: float | None = None
    why: str | None = None

    @property
    def ratio(self) -> float | None:
        """The same as a factor, 2**stops."""
        return None if self.stops is None else 2.0**self.stops


@dataclass(frozen=True, slots=True)
class Tint:
    """How colour changes over the backdrop.

    Attributes
    ----------
    red_green, blue_green
        Balanced R/G and B/G, left minus right, stops; None where not seen.
    """

    red_green: float | None = None
    blue_green: float | None = None


@dataclass(frozen=True, slots=True)
class BackdropReading:
    """How the backdrop lies: zones and stops, places as points of the upright picture.

    Attributes
    ----------
    zone
        Median of Y as a zone.
    left_right
        Median of log2 Y over mirror-image pairs, left minus right.
    falloff
        Brightest to darkest of a robust low-order surface.
    brightest, darkest
        Where that surface is so.
    uneven
        RMS of what the surface leaves, noise taken out.
    blotch, blotch_at
        Greatest lightly smoothed residual (signed), and where.
    tint
        How colour changes from left to right.
    log2_y
        Median of log2 Y against the anchor.
    uncertainty
        Standard uncertainty in stops, by figure.
    by
        This frame, or the clean plate for its evenness.
    why
        Name of the condition that keeps a figure from being seen, by figure.
    """

    zone: float | None
    left_right: float | None
    falloff: float | None
    brightest: Point | None
    darkest: Point | None
    uneven: float | None
    blotch: float | None
    blotch_at: Point | None
    tint: Tint
    log2_y: float | None
    uncertainty: Mapping[str, float] = field(default_factory=dict)
    by: Literal["frame", "plate"] = "frame"
    why: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ShutterReading:
    """Signs of the shutter in the picture.

    Attributes
    ----------
    edge_share
        Share of the frame that a dark band along one side covers; 0.0 with none.
    edge_side
        Which side of the upright picture it lies on.
    slope_stops
        Slope along the shutter's travel that paper and sitter share, stops over the whole travel;
        None where it can't be told.
    """

    edge_share: float = 0.0
    edge_side: Literal["left", "right", "top", "bottom"] | None = None
    slope_stops: float | None = None


@dataclass(frozen=True, slots=True)
class CameraMove:
    """How what stands still lies in a picture, against the reference.

    Attributes
    ----------
    right, down
        Fractions of the picture's width and height; the camera went the other way.
    """

    right: float = 0.0
    down: float = 0.0

    def __bool__(self) -> bool:
        """Whether the camera was moved at all."""
        return bool(self.right or self.down)

    def carried(self, box: Box) -> Box:
        """Return where a box on a still thing lies now, cut at the picture's edges."""
        x0, y0, x1, y1 = box
        moved = (x0 + self.right, y0 + self.down, x1 + self.right, y1 + self.down)
        left, top, right, bottom = (min(max(edge, 0.0), 1.0) for edge in moved)
        return (left, top, right, bottom)


@dataclass(frozen=True, slots=True)
class Measurement:
    """All that one frame measured.

    Attributes
    ----------
    camera, exposure, size
        What the file said; width and height of the upright picture in photosites.
    levels, clipping, zones, patches, backdrop, shutter
        The figures; patches by name.
    ratios
        One for each ratio that the plan asks for; with none the split of the subject.
    subject_log2_y
        Median log2 Y of the whole frame's unclipped cells: tells a frame that no lamp lit.
    look
        Name of the look that it was measured with: by another it can't be judged.
    doubt
        What is clipped at most; None where that is sure.
    moved
        How still things lie against the reference; None where none was found again.
    """

    camera: Camera
    exposure: Exposure
    size: tuple[int, int]
    levels: Levels
    clipping: Clipping
    zones: Zones
    patches: Mapping[str, PatchReading]
    ratios: tuple[Ratio, ...]
    backdrop: BackdropReading | None
    shutter: ShutterReading
    subject_log2_y: float | None = None
    look: str | None = None
    doubt: ClippedAtMost | None = None
    moved: CameraMove | None = None

    def to_json(self) -> dict[str, Any]:
        """Return the record's parts that this measurement answers for, as the record has them."""
        parts = {name: part_json(getattr(self, name)) for name in _PARTS}
        parts["patches"] = {name: part_json(patch) for name, patch in self.patches.items()}
        parts["ratio"] = part_json(self.ratios[0]) if self.ratios else None
        return parts


_PARTS = (
    "camera", "exposure", "size", "levels", "clipping", "zones", "backdrop", "shutter",
)  # fmt: skip

DIGITS = 7
"""Significant digits of a figure in JSON: half a part in ten million, far under any noise."""


def part_json(part: Any) -> Any:
    """Return one part of a measurement as the record's JSON has it."""
    plain = asdict(part) if is_dataclass(part) and not isinstance(part, type) else part
    if isinstance(part, Levels):
        plain.pop("observed")
        plain.pop("doubted")
    if isinstance(part, Ratio):
        plain.pop("ashman")
        plain["ratio"] = part.ratio
    return tidy(plain)


def tidy(value: Any) -> Any:
    """Return a value as plain JSON holds it: seven digits, no NaN, no infinity, lists and dicts."""
    if isinstance(value, float):
        return float(f"{value:.{DIGITS}g}") if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {key: tidy(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [tidy(item) for item in value]
    return value

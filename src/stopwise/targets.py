"""The plan's targets as one catalogue: whatever judges, predicts, dials or adopts walks this list.

A new kind of target is a key of the plan, one entry here and its sentences in
:mod:`stopwise.messages`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, Literal

from stopwise.findings import Detail, Finding, Knocked, state_of
from stopwise.plan.model import BACKDROP
from stopwise.plan.now import stays_with_the_set
from stopwise.stops import aperture_stops, iso_stops, shutter_stops

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from stopwise.codes import Check, Code
    from stopwise.findings import Figure, Unit, Within
    from stopwise.frame import Point
    from stopwise.measurement.figures import Measurement, PatchReading
    from stopwise.plan.model import BackdropPlan, CameraPlan, Patch, RatioTarget, Separation
    from stopwise.plan.now import PlanNow

_ROUNDED_STOPS = 1.0 / 6.0
"""Settings agree within this: files round them, and marks differ from exact stops by up to 0.14."""


@dataclass(frozen=True, slots=True)
class Value:
    """What a target reads.

    Attributes
    ----------
    value
        In the target's unit; None where it isn't seen.
    uncertainty
        Its standard uncertainty, same unit.
    why
        Name of the condition that keeps it from being seen.
    code, at
        What is to be said of it, where its sign doesn't tell; and its place.
    """

    value: float | None
    uncertainty: float | None = None
    why: str | None = None
    code: Code | None = None
    at: Point | None = None


_NOT_THERE = Value(None, why="patch_not_seen")


@dataclass(frozen=True, slots=True)
class Target:
    """One thing that the plan asks for.

    Attributes
    ----------
    check, of
        What it is, and of which patch or figure, as findings name it.
    planned
        In `unit`; None for a patch that is only to be seen.
    within
        Least and greatest difference allowed.
    unit
        Of all its figures.
    read
        Takes its figure from a measurement.
    codes
        What is said of it above, and below, what is planned.
    places
        Patches that it reads; `BACKDROP` for the backdrop.
    lit, shadow, figure
        As in :class:`~stopwise.findings.Finding`.
    only_failing
        Whether it is told only where it fails.
    detail
        What its finding tells besides figures: material, must_see, the lamps that light it.
    """

    check: Check
    of: str
    planned: float | None
    within: Within
    unit: Unit
    read: Callable[[Measurement], Value]
    codes: tuple[Code, Code]
    places: tuple[str, ...]
    lit: str | None = None
    shadow: str | None = None
    figure: Figure | None = None
    only_failing: bool = False
    detail: Detail = field(default=Detail())

    def finding(self, measurement: Measurement) -> Finding:
        """Return what a frame's figures come to."""
        found = self.read(measurement)
        difference = (
            None if found.value is None or self.planned is None else found.value - self.planned
        )
        above, below = self.codes
        sign: Code = "not_seen" if difference is None else above if difference > 0 else below
        patches = tuple(place for place in self.places if place != BACKDROP)
        detail = replace(self.detail, patches=patches, at=found.at)
        return Finding(
            check=self.check,
            of=self.of,
            code=sign if found.code is None or difference is None else found.code,
            state=state_of(difference, self.within, found.uncertainty),
            measured=found.value,
            planned=self.planned,
            within=self.within,
            unit=self.unit,
            uncertainty=found.uncertainty,
            why=found.why if found.value is None else None,
            lit=self.lit,
            shadow=self.shadow,
            figure=self.figure,
            detail=detail,
        )


def targets_of(now: PlanNow) -> tuple[Target, ...]:
    """Return every target on light that holds now: patches, ratios, separations, the backdrop."""
    by_name = {patch.name: patch for patch in now.patches}
    background = tuple(light.name for light in now.plan.lights if light.role == "background")
    return (
        *(target for patch in now.patches for target in _of_patch(patch, now)),
        *(_of_ratio(ratio, by_name) for ratio in now.ratios),
        *(_of_separation(separation, by_name) for separation in now.separations),
        *(() if now.backdrop is None else _of_backdrop(now.backdrop, background)),
    )


def _of_patch(patch: Patch, now: PlanNow) -> Iterator[Target]:
    row = patch.defaults
    target = partial(
        Target,
        of=patch.name,
        places=(patch.name,),
        detail=Detail(
            material=patch.material,
            must_see=patch.is_needed,
            still=(patch.material is None and stays_with_the_set(patch)) or None,
            lamps=patch.lit_by,
        ),
    )

    def reads(read: Callable[[PatchReading], Value]) -> Callable[[Measurement], Value]:
        return partial(_read_patch, name=patch.name, read=read)

    under, over = patch.allows
    yield target(
        check="patch",
        planned=patch.target_zone,
        within=(-under, over),
        unit="zone",
        read=reads(lambda one: Value(one.zone, one.uncertainty, one.why.get("zone"))),
        codes=("over", "under"),
    )
    headroom = patch.least_headroom
    if headroom is not None:
        yield target(
            check="headroom",
            planned=headroom,
            within=(0.0, None),
            unit="stops",
            read=reads(partial(_headroom, planned=headroom, shine=row.shine)),
            codes=("near_clip", "near_clip"),
        )
    if patch.most_clipped < 1.0:
        yield target(
            check="clip",
            planned=0.0,
            within=(None, patch.most_clipped),
            unit="fraction",
            read=reads(lambda one: Value(one.clipped)),
            codes=("blown", "clear"),
        )
    if patch.texture is not None:
        yield target(
            check="texture",
            planned=0.0,
            within=(None, patch.texture),
            unit="stops",
            read=reads(lambda one: Value(one.texture, why=one.why.get("texture"))),
            codes=("rough", "rough"),
        )
    if row.blocked is not None:
        yield target(
            check="blocked",
            planned=0.0,
            within=(None, now.plan.limits.blocked),
            unit="fraction",
            read=reads(lambda one: Value(one.blocked, why=one.why.get("blocked"))),
            codes=("blocked", "blocked"),
        )
    if row.snr is not None:
        yield target(
            check="blocked",
            planned=row.snr,
            within=(0.0, None),
            unit="SNR",
            read=reads(lambda one: Value(one.snr)),
            codes=("noisy", "noisy"),
            only_failing=True,
        )


def _read_patch(
    measurement: Measurement, *, name: str, read: Callable[[PatchReading], Value]
) -> Value:
    reading = measurement.patches.get(name)
    return _NOT_THERE if reading is None else read(reading)


def _headroom(reading: PatchReading, *, planned: float, shine: float | None) -> Value:
    """Read headroom; where it falls short, tell shine that stands out of its patch's median."""
    shines = (
        shine is not None
        and None not in (reading.top, reading.zone, reading.headroom)
        and (reading.headroom or 0.0) < planned
        and (reading.top or 0.0) - (reading.zone or 0.0) > shine
    )
    return Value(
        reading.headroom,
        reading.uncertainty,
        reading.why.get("headroom"),
        code="hot_centre" if shines else None,
        at=reading.top_at if shines else None,
    )


def _difference(measurement: Measurement, lighter: str, darker: str) -> Value:
    """Read how far one place stands over another, stops."""
    above, below = _level(measurement, lighter), _level(measurement, darker)
    if above is None or below is None:
        return _NOT_THERE
    return Value(above[0] - below[0], math.hypot(above[1], below[1]))


def _level(measurement: Measurement, place: str) -> tuple[float, float] | None:
    """Return log2 Y of a patch or the backdrop, and its standard uncertainty."""
    if place == BACKDROP:
        paper = measurement.backdrop
        if paper is None or paper.log2_y is None:
            return None
        return paper.log2_y, paper.uncertainty.get("zone", 0.0)
    reading = measurement.patches.get(place)
    if reading is None or reading.log2_y is None:
        return None
    return reading.log2_y, reading.uncertainty or 0.0


def _lamps(by_name: Mapping[str, Patch], *names: str) -> tuple[str, ...]:
    lamps = [lamp for name in names if name in by_name for lamp in by_name[name].lit_by]
    return tuple(dict.fromkeys(lamps))


def _of_ratio(ratio: RatioTarget, by_name: Mapping[str, Patch]) -> Target:
    return Target(
        check="ratio",
        of=f"{ratio.lit} to {ratio.shadow}",
        planned=ratio.stops,
        within=(-ratio.within, ratio.within),
        unit="stops",
        read=lambda measurement: _difference(measurement, ratio.lit, ratio.shadow),
        codes=("too_deep", "too_open"),
        places=(ratio.lit, ratio.shadow),
        lit=ratio.lit,
        shadow=ratio.shadow,
        detail=Detail(lamps=_lamps(by_name, ratio.lit, ratio.shadow)),
    )


def _of_separation(separation: Separation, by_name: Mapping[str, Patch]) -> Target:
    lighter, darker = separation.lighter, separation.darker
    return Target(
        check="separation",
        of=f"{lighter} to {darker}",
        planned=separation.at_least,
        within=(0.0, None),
        unit="stops",
        read=lambda measurement: _difference(measurement, lighter, darker),
        codes=("stands_off", "stands_off"),
        places=(lighter, darker),
        lit=lighter,
        shadow=darker,
        detail=Detail(lamps=_lamps(by_name, lighter)),
    )


def _of_backdrop(backdrop: BackdropPlan, lamps: tuple[str, ...]) -> Iterator[Target]:
    sides, steep = backdrop.left_right_within, backdrop.falloff_within
    rows: tuple[tuple[Figure, float | None, Within, tuple[Code, Code]], ...] = (
        ("zone", backdrop.zone, (-backdrop.under, backdrop.over), ("over", "under")),
        (
            "left_right",
            backdrop.left_right,
            (-sides, sides),
            ("left_over_right", "right_over_left"),
        ),
        ("falloff", backdrop.falloff, (-steep, steep), ("too_steep", "too_flat")),
        ("uneven", _nought(backdrop.uneven), (None, backdrop.uneven), ("uneven", "uneven")),
        (
            "blotch",
            _nought(backdrop.blotch),
            (None, backdrop.blotch),
            ("bright_blotch", "bright_blotch"),
        ),
        ("tint", _nought(backdrop.tint), (None, backdrop.tint), ("tinted", "tinted")),
    )
    for figure, planned, within, codes in rows:
        if planned is not None:
            yield Target(
                check="backdrop",
                of=f"backdrop {figure}",
                planned=planned,
                within=within,
                unit="zone" if figure == "zone" else "stops",
                read=partial(_backdrop, figure=figure),
                codes=codes,
                places=(BACKDROP,),
                figure=figure,
                detail=Detail(lamps=lamps),
            )


def _nought(greatest: float | None) -> float | None:
    """Return what is planned where only a greatest is given: nothing of it."""
    return None if greatest is None else 0.0


def _backdrop(measurement: Measurement, figure: Figure) -> Value:
    paper = measurement.backdrop
    if paper is None:
        return _NOT_THERE
    if figure == "tint":
        sides = (paper.tint.red_green, paper.tint.blue_green)
        worst = None if None in sides else max(abs(side) for side in sides if side is not None)
        return Value(worst, paper.uncertainty.get("red_green"), paper.why.get("red_green"))
    uncertainty, why = paper.uncertainty.get(figure), paper.why.get(figure)
    if figure == "blotch" and paper.blotch is not None:
        code: Code = "bright_blotch" if paper.blotch > 0 else "dark_blotch"
        return Value(abs(paper.blotch), uncertainty, why, code=code, at=paper.blotch_at)
    value: float | None = getattr(paper, figure)
    return Value(value, uncertainty, why)


SettingName = Literal["iso", "f_number", "shutter"]


def settings_planned(camera: CameraPlan) -> dict[SettingName, float]:
    """Return the camera settings that a plan states: ISO, f-number, shutter time in seconds."""
    stated: dict[SettingName, float | None] = {
        "iso": camera.iso,
        "f_number": camera.f_number,
        "shutter": camera.shutter,
    }
    return {name: value for name, value in stated.items() if value is not None}


def setting_findings(camera: CameraPlan, measurement: Measurement) -> Iterator[Finding]:
    """Yield a finding for each camera setting that the plan states.

    Differences and limits are in the setting's own unit; the limit is 1/6 stop either way.
    """
    exposure = measurement.exposure
    found = {"iso": exposure.iso, "f_number": exposure.f_number, "shutter": exposure.shutter_s}
    units: dict[SettingName, Unit] = {"iso": "ISO", "f_number": "f-number", "shutter": "s"}
    for name, planned in settings_planned(camera).items():
        ratio = 2.0 ** (_ROUNDED_STOPS / (2.0 if name == "f_number" else 1.0))
        within = (planned / ratio - planned, planned * ratio - planned)
        measured = found[name]
        state = state_of(None if measured is None else measured - planned, within, None)
        yield Finding(
            check="setting",
            of=name,
            code="not_seen" if measured is None else "setting",
            state=state,
            measured=measured,
            planned=planned,
            within=within,
            unit=units[name],
            why="no_metadata" if measured is None else None,
            cause="camera" if state == "fails" else None,
            detail=Detail(knocked=None if measured is None else Knocked(name, measured, planned)),
        )


def setting_offset_stops(camera: CameraPlan, measurement: Measurement) -> dict[SettingName, float]:
    """Return by how many stops each setting lets in more light than planned.

    The shutter is told apart since it does nothing to light from a flash.
    """
    exposure = measurement.exposure
    stops_of = {"iso": iso_stops, "f_number": aperture_stops, "shutter": shutter_stops}
    found = {"iso": exposure.iso, "f_number": exposure.f_number, "shutter": exposure.shutter_s}
    return {
        name: stops_of[name](planned, measured)
        for name, planned in settings_planned(camera).items()
        if (measured := found[name]) is not None
    }

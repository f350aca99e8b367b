"""Checks of single patches: zone, headroom, clipping, blocked shadows, noise."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.plan.materials import PLAIN
from stopwise.verdict.findings import Finding, state_of
from stopwise.wording import over_or_under, place_text, share_text, stops_text, title

if TYPE_CHECKING:
    from collections.abc import Iterator

    from stopwise.measurement.measurement import PatchReading
    from stopwise.plan.model import Limits, Patch


def patch_findings(patch: Patch, reading: PatchReading, limits: Limits) -> Iterator[Finding]:
    """Yield the findings of every target that one patch has.

    Parameters
    ----------
    patch
        The patch of the plan; its material fills in what it doesn't say.
    reading
        What it measured.
    limits
        The plan's limits, for blocked cloth.
    """
    if reading.why.get("zone") == "not_followed":
        yield _lost(patch)
        return
    for finding in (
        _zone(patch, reading),
        _headroom(patch, reading),
        _clip(patch, reading),
        _blocked(patch, reading, limits),
        _noisy(patch, reading),
    ):
        if finding is not None:
            yield finding


def zone_target(patch: Patch) -> float | None:
    """Return the target zone for a patch, its own or its material's."""
    return patch.zone if patch.zone is not None else patch.defaults.zone


def zone_within(patch: Patch) -> tuple[float, float]:
    """Return the least and greatest difference in stops that a patch's zone may have."""
    row = patch.defaults
    over = _first(patch.over, patch.within, row.over, PLAIN.over)
    under = _first(patch.under, patch.within, row.under, PLAIN.under)
    return -under, over


def _first(*values: float | None) -> float:
    return next(value for value in values if value is not None)


def _lost(patch: Patch) -> Finding:
    return Finding(
        check="patch",
        of=patch.name,
        measured=None,
        planned=zone_target(patch),
        within=zone_within(patch),
        unit="zone",
        state="not seen",
        say=f"{title(patch.name)} not seen.",
        do="Bring the sitter back to the mark." if patch.must_see else "",
        why="not_followed",
    )


def _zone(patch: Patch, reading: PatchReading) -> Finding | None:
    target = zone_target(patch)
    if target is None:
        return None
    within = zone_within(patch)
    difference = None if reading.zone is None else reading.zone - target
    return Finding(
        check="patch",
        of=patch.name,
        measured=reading.zone,
        planned=target,
        within=within,
        unit="zone",
        state=state_of(difference, within, reading.uncertainty),
        say=_zone_sentence(patch.name, difference),
        uncertainty=reading.uncertainty,
        why=reading.why.get("zone"),
    )


def _zone_sentence(name: str, difference: float | None) -> str:
    if difference is None:
        return f"{title(name)} not seen."
    return f"{title(name)} {stops_text(difference)} {over_or_under(difference)}."


def _headroom(patch: Patch, reading: PatchReading) -> Finding | None:
    target = patch.headroom if patch.headroom is not None else patch.defaults.headroom
    if target is None:
        return None
    within = (0.0, None)
    difference = None if reading.headroom is None else reading.headroom - target
    return Finding(
        check="headroom",
        of=patch.name,
        measured=reading.headroom,
        planned=target,
        within=within,
        unit="stops",
        state=state_of(difference, within, reading.uncertainty),
        say=_headroom_sentence(patch, reading, target),
        uncertainty=reading.uncertainty,
        why=reading.why.get("headroom"),
    )


def _headroom_sentence(patch: Patch, reading: PatchReading, target: float) -> str:
    if reading.headroom is None:
        return f"{title(patch.name)}: headroom not seen."
    room = f"{stops_text(reading.headroom)} from clip, target {stops_text(target)}"
    if reading.headroom < target and is_hot_centre(patch, reading):
        place = f", {place_text(reading.top_at)}" if reading.top_at else ""
        return f"Hot centre on the {patch.name}{place}: {room}."
    return f"{title(patch.name)} {room}."


def is_hot_centre(patch: Patch, reading: PatchReading) -> bool:
    """Tell whether a patch's brightest hundredth stands out of its median as shine does."""
    limit = patch.defaults.shine
    if limit is None or reading.top is None or reading.zone is None:
        return False
    return reading.top - reading.zone > limit


def _clip(patch: Patch, reading: PatchReading) -> Finding | None:
    allowed = patch.may_clip if patch.may_clip is not None else patch.defaults.may_clip
    if allowed >= 1.0:
        return None
    within = (None, allowed)
    return Finding(
        check="clip",
        of=patch.name,
        measured=reading.clipped,
        planned=0.0,
        within=within,
        unit="fraction",
        state=state_of(reading.clipped, within, None),
        say=f"{title(patch.name)} blown over {share_text(reading.clipped)} of it."
        if reading.clipped > 0
        else f"{title(patch.name)} holds no blown area.",
    )


def _blocked(patch: Patch, reading: PatchReading, limits: Limits) -> Finding | None:
    if patch.defaults.blocked is None:
        return None
    within = (None, limits.blocked)
    return Finding(
        check="blocked",
        of=patch.name,
        measured=reading.blocked,
        planned=0.0,
        within=within,
        unit="fraction",
        state=state_of(reading.blocked, within, None),
        say=f"{title(patch.name)}: blocked share not seen."
        if reading.blocked is None
        else f"{title(patch.name)} blocked over {share_text(reading.blocked)} of it.",
        why=reading.why.get("blocked"),
    )


def _noisy(patch: Patch, reading: PatchReading) -> Finding | None:
    least = patch.defaults.snr
    if least is None or reading.snr is None or reading.snr >= least:
        return None
    return Finding(
        check="blocked",
        of=patch.name,
        measured=reading.snr,
        planned=least,
        within=(0.0, None),
        unit="SNR",
        state="fails",
        say=f"{title(patch.name)} noisy: SNR {reading.snr:.0f}, target {least:.0f}.",
        do="Give it more light or open the aperture.",
    )

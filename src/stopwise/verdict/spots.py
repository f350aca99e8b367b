"""What spots say: the sitter out of one, or one that moved; and what each explains."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from stopwise.lamps.beam_spots import LEAST_LOSS_STOPS, LEAST_MOVE
from stopwise.plan.rigging import is_on_boom, is_overhead
from stopwise.verdict.findings import Finding
from stopwise.wording import CALL_WIDTH, lamp_name, title

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from stopwise.lamps.beam_spots import SpotReading
    from stopwise.plan.model import Light
    from stopwise.plan.now import PlanNow


def with_spots(
    findings: Sequence[Finding], targets: PlanNow, spots: Mapping[str, SpotReading]
) -> list[Finding]:
    """Return the findings with what spots say put first, and what they explain laid to them.

    Parameters
    ----------
    findings
        With their causes.
    targets
        Which lamps light each patch, and where the lamps stand.
    spots
        What became of each spot, by lamp.

    Returns
    -------
    list of Finding
        A patch that a lamp leads and whose spot moved, or that lost light out of its spot, turns no
        lamp.
    """
    own = list(_spot_findings(targets, spots))
    kept = list(findings)
    for told in own:
        kept = [_explained(finding, told, targets) for finding in kept]
    return [*own, *kept]


def _spot_findings(targets: PlanNow, spots: Mapping[str, SpotReading]) -> Iterator[Finding]:
    for name, spot in spots.items():
        light = targets.plan.light(name)
        if spot.state == "sitter out of the spot":
            yield _out_of_spot(name, spot)
        elif spot.state == "spot moved" and light is not None:
            yield _moved(light, spot)


def _out_of_spot(name: str, spot: SpotReading) -> Finding:
    return Finding(
        check="lamp",
        of=name,
        measured=spot.lost_stops,
        planned=0.0,
        within=(-LEAST_LOSS_STOPS, None),
        unit="stops",
        state="fails",
        say=_fitting(
            f"Sitter is out of the {lamp_name(name)}'s spot.", "Sitter is out of the spot."
        ),
        do=_way_back(spot),
        cause="sitter",
    )


def _way_back(spot: SpotReading) -> str:
    """Return where the sitter goes: how far, as a share of the frame; a hand isn't known."""
    right, down = spot.way_back or (0.0, 0.0)
    sideways = abs(right) >= abs(down)
    side = ("to camera right" if right > 0 else "to camera left") if sideways else ""
    up = "down" if down > 0 else "up"
    far = _percent(max(abs(right), abs(down)))
    return f"Back {side or up}, {far} of frame."


def _moved(light: Light, spot: SpotReading) -> Finding:
    lamp = title(lamp_name(light.name))
    way = _way(spot)
    far = _percent(_told(spot))
    say = [f"{lamp}'s spot has moved."]
    if way:
        say = [f"{lamp}'s spot {way} about {far} of frame.", f"{lamp}'s spot {way} {far}.", *say]
    return Finding(
        check="lamp",
        of=light.name,
        measured=spot.size,
        planned=0.0,
        within=(None, LEAST_MOVE),
        unit="fraction",
        state="fails",
        say=_fitting(*say),
        do=_secure(light),
        cause="lamp",
        uncertainty=spot.uncertainty,
    )


def _way(spot: SpotReading) -> str:
    if spot.moved is None:
        return ""
    right, down = spot.moved
    if abs(down) > abs(right):
        return "dropped" if down > 0 else "rose"
    return "went right" if right > 0 else "went left"


def _told(spot: SpotReading) -> float:
    """Return the share of the frame that a spot moved: of its height for up and down."""
    return max(abs(part) for part in spot.moved or (spot.size or 0.0,))


def _secure(light: Light) -> str:
    """Return what to do: a lamp that sinks over a person is a danger before it is a fault."""
    held = "boom" if light.stand is None or is_on_boom(light) else "stand"
    return (
        f"Step away. Check the {held}, secure it." if is_overhead(light) else f"Check its {held}."
    )


def _explained(finding: Finding, told: Finding, targets: PlanNow) -> Finding:
    if finding.state != "fails" or finding.cause in ("camera", "shutter", "backdrop"):
        return finding
    if finding.turn is not None and finding.turn.light != told.of:
        return finding
    led = {
        patch.name for patch in targets.patches if patch.follow and patch.lit_by[:1] == (told.of,)
    }
    sides = {finding.of, *finding.of.split(" to ")}
    lost = finding.difference is not None and finding.difference < 0.0
    if not sides & led or (told.cause == "sitter" and not lost):
        return finding
    return replace(finding, cause=told.cause, turn=None, do=told.do)


def _percent(fraction: float) -> str:
    """Return a share in whole percent: a spot's move is no surer than that."""
    return f"{max(round(100.0 * fraction), 1)} %"


def _fitting(*sentences: str) -> str:
    """Return the first sentence that fits the call line, else the last."""
    return next((one for one in sentences if len(one) <= CALL_WIDTH), sentences[-1])

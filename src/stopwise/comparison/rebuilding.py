"""Build a light again: today's solo of a lamp against the old one, and what is said of it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from stopwise.grid import pooled
from stopwise.lamps.beam_spots import Lit, read_spot
from stopwise.lamps.outputs import read_lamps
from stopwise.lamps.solos import LampSet, lamp_set
from stopwise.lamps.unmixing import Shift, stack_of
from stopwise.lamps.white_card import read_white_card
from stopwise.plan.floor import side_text
from stopwise.plan.model import OVERHEAD_DEG
from stopwise.wording import lamp_name, stops_text, title

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from stopwise.grid import LightGrid
    from stopwise.lamps.outputs import SpotReading
    from stopwise.lamps.white_card import WhiteCard
    from stopwise.plan.model import Light

    _Names = tuple[tuple[str, str], tuple[str, str]]
    Floats = NDArray[np.float64]

WHY = {
    "no_white_card": "no frame of a white card was marked for it then",
    "not_at_mark": "the sitter isn't as he was then",
}
"""Why a spot can't be placed, in words."""

MATCH_STOPS = 0.1
"""Stops within which a lamp's output matches."""

MATCH_PLACE = 0.01
"""Fraction of the frame within which a spot's place matches."""

MATCH_ROUGH = 0.006
"""The same as it is told on a sitter, where about 0.5 to 0.8 of a move is seen (made sets)."""

MATCH_PATTERN = 0.12
"""Stops of spread over a lamp's light from which on it falls otherwise than it did."""

_SURE_STOPS = 0.2
"""Standard uncertainty in stops from which a lamp's output is taken from its level instead: twice
what matches. Chosen, as are the three below."""

_SPOT_DOUBT, _MOVE_DOUBT = 0.03, 0.05
"""Standard uncertainty in stops of an output between two white cards, and on a sitter."""

_CELLS, _FEWEST = 60, 20
"""Blocks along the longer side on which a lamp's light is compared, and the fewest it must light:
of 20 the 5th and the 95th percentile are single blocks."""

_FAINT = 0.1
"""Share of a lamp's brightest block under which a block counts as not lit by it."""

_SPAN = 3.289707253902945
"""Standard deviations from the 5th to the 95th percentile, 2 Phi^-1(0.95)."""


@dataclass(frozen=True, slots=True)
class SoloMatch:
    """One lamp's solo of today against the old one.

    Attributes
    ----------
    lamp
        Its name.
    stops, uncertainty
        How far its light lies over what the take had; None where it can't be told.
    right, down
        How far its spot lies off, fractions of the frame's width; None where it has no spot that
        is seen.
    width, edge
        Today's over then, of the spot; None without one.
    pattern
        Spread in stops of today's light over then's, where there is no spot to compare.
    size
        How far a spot on the sitter lies off in all, where which way can't be told too.
    is_rough
        Whether the spot was read on the sitter: its place is then about right.
    why
        Why its spot can't be placed, where its light falls otherwise.
    """

    lamp: str
    stops: float | None
    uncertainty: float | None
    right: float | None = None
    down: float | None = None
    width: float | None = None
    edge: float | None = None
    pattern: float | None = None
    size: float = 0.0
    is_rough: bool = False
    why: Literal["no_white_card", "not_at_mark"] | None = None

    @property
    def falls_otherwise(self) -> bool:
        """Whether its light falls in other places, though no spot says where."""
        return self.pattern is not None and self.pattern > MATCH_PATTERN

    @property
    def is_matched(self) -> bool:
        """Whether it matches within 0.1 stop and 1 % of the frame."""
        if self.stops is None or self.falls_otherwise:
            return False
        off = max(math.hypot(self.right or 0.0, self.down or 0.0), self.size)
        return abs(self.stops) <= MATCH_STOPS and off <= self.near

    @property
    def near(self) -> float:
        """How far off its spot may be told and still match, fraction of the frame's width."""
        return MATCH_ROUGH if self.is_rough else MATCH_PLACE

    def to_json(self) -> dict[str, Any]:
        """Return the figures as plain JSON."""
        return {
            "stops": self.stops,
            "uncertainty": self.uncertainty,
            "right": self.right,
            "down": self.down,
            "width": self.width,
            "edge": self.edge,
            "pattern": self.pattern,
            "size": self.size if self.is_rough else None,
            "rough": self.is_rough,
            "why": None if self.why is None else WHY[self.why],
            "matches": self.is_matched,
        }


def match_solo(
    name: str,
    old: LampSet,
    today: LightGrid,
    *,
    ambient: LightGrid | None = None,
    take_stops: float = 0.0,
    card: WhiteCard | None = None,
) -> SoloMatch:
    """Hold today's solo of a lamp against the old one, sitter or card on the same mark.

    Parameters
    ----------
    name
        The lamp.
    old
        The old solos.
    today
        Today's frame with this lamp alone, reduced on the same grid.
    ambient
        Today's frame with no lamp; None takes the old one's, where there is one.
    take_stops
        What the lamp gave in the take that is built again, against its old solo.
    card
        Its spot of then, as a frame of a white card showed it; None without one.

    Returns
    -------
    SoloMatch
        ISO and aperture are taken out. Where both solos are of a white card held at the face, the
        spot's place, width and edge are compared. On a sitter his own shape hides them: there a
        white card of then says about how far the spot has moved, and without one only output and
        pattern are told.

    Raises
    ------
    ValueError
        If the grids differ.
    """
    dark = old.ambient if ambient is None else ambient
    own = lamp_set({name: today}, dark, exposure=old.exposure).nets[name]
    then, now = (read_white_card(one.luminance) for one in (old.nets[name], own))
    if own.fits(old.nets[name]) and then is not None and now is not None:
        return _of_spots(name, then, now, take_stops)
    alone = replace(old, nets={name: old.nets[name]}, ambient=None)
    if card is not None:
        spot = _spot_on_sitter(own, alone, card)
        if spot.state != "not seen":
            return _of_spot(name, spot, take_stops, card.aspect)
    reading = read_lamps(own, alone)[name]
    changed = _changed(old.nets[name].luminance, own.luminance)
    level, pattern = (None, None) if changed is None else changed
    stops, doubt = reading.stops, reading.uncertainty
    if reading.state == "not seen" or (doubt or 0.0) >= _SURE_STOPS:
        stops, doubt = level, pattern
    if reading.state == "out":
        stops, doubt = None, None
    return SoloMatch(
        name,
        _less(stops, take_stops),
        doubt,
        pattern=pattern,
        why="no_white_card" if card is None else "not_at_mark",
    )


def _spot_on_sitter(own: LightGrid, alone: LampSet, card: WhiteCard) -> SpotReading:
    """Read how a lamp's spot lies on the sitter, he being on his old mark."""
    lit = Lit(stack_of(own, alone), 0, np.ones(1))
    return read_spot(lit, card, shift=Shift(0.0, 0.0), least_move=0.0)


def _of_spot(name: str, spot: SpotReading, take_stops: float, aspect: float) -> SoloMatch:
    """Return a match by the sitter's solo; a spot that is steady lies where it lay."""
    moved = (0.0, 0.0) if spot.state == "steady" else spot.moved
    return SoloMatch(
        lamp=name,
        stops=_less(spot.output_stops, take_stops),
        uncertainty=_MOVE_DOUBT,
        right=None if moved is None else moved[0],
        down=None if moved is None else moved[1] * aspect,
        size=0.0 if spot.size is None else spot.size,
        is_rough=True,
    )


def _of_spots(name: str, then: WhiteCard, now: WhiteCard, take_stops: float) -> SoloMatch:
    return SoloMatch(
        lamp=name,
        stops=math.log2(now.level / then.level) - take_stops,
        uncertainty=_SPOT_DOUBT,
        right=now.middle[0] - then.middle[0],
        down=now.middle[1] - then.middle[1],
        width=now.width / then.width,
        edge=now.edge / then.edge if then.edge > 0.0 else None,
    )


def _changed(then: NDArray[np.float32], now: NDArray[np.float32]) -> tuple[float, float] | None:
    """Return by how much the light has changed over what the lamp lights, and how unevenly, stops.

    None where too little is lit.
    """
    factor = max(1, round(max(then.shape) / _CELLS))
    old, new = (pooled(np.asarray(one, np.float64), factor) for one in (then, now))
    lit = (old > _FAINT * old.max()) & (new > 0.0)
    if np.count_nonzero(lit) < _FEWEST:
        return None
    low, middle, high = np.percentile(np.log2(new[lit] / old[lit]), [5.0, 50.0, 95.0])
    return float(middle), float(high - low) / _SPAN


def _less(stops: float | None, expected: float) -> float | None:
    return None if stops is None else stops - expected


_OTHER_EDGE = 1.2
"""Factor from which an edge counts as softer or harder."""

_OTHER_WIDTH = 1.06
"""Factor from which a spot counts as wider or narrower."""

_LEAST_CM = 5.0
"""Centimetres to which a lamp's way is told: nobody places a stand more finely."""

_BESIDE = 0.35
"""Share of a rough move under which a part of it is no way of its own."""


def say(match: SoloMatch) -> str:
    """Return what is off at a lamp: "Key solo: 0.2 over, spot 4 % low, edge softer."."""
    head = f"{title(match.lamp)} solo"
    if match.stops is None:
        told = f" {title(WHY[match.why])}." if match.why else ""
        return f"{head}: its light can't be told from the old one's.{told}"
    if match.is_matched:
        return f"{head} matches."
    told = f"{head}: {', '.join(_off(match))}."
    if match.falls_otherwise and match.why:
        return f"{told} Its spot can't be placed: {WHY[match.why]}."
    return told


def _ways(match: SoloMatch, names: _Names) -> Iterator[tuple[float, str]]:
    """Yield how far the spot is off down and to the right, with a name each, where that counts."""
    beside = _BESIDE * math.hypot(match.right or 0.0, match.down or 0.0) if match.is_rough else 0.0
    least = max(match.near / math.sqrt(2.0), beside)
    for size, ways in zip((match.down, match.right), names, strict=True):
        if size is not None and abs(size) > least:
            yield abs(size), ways[size < 0]


def _off(match: SoloMatch) -> Iterator[str]:
    stops = match.stops or 0.0
    if abs(stops) > MATCH_STOPS:
        yield f"{stops_text(stops)} {'over' if stops > 0 else 'under'}"
    if match.falls_otherwise:
        yield "its light falls otherwise"
    about = "about " if match.is_rough else ""
    for size, way in _ways(match, (("low", "high"), ("right", "left"))):
        yield f"spot {about}{100 * size:.0f} % {way}"
    if match.right is None and match.size > match.near:
        yield f"spot about {100 * match.size:.0f} % off, which way can't be told"
    for factor, least, ways in (
        (match.width, _OTHER_WIDTH, ("spot wider", "spot narrower")),
        (match.edge, _OTHER_EDGE, ("edge softer", "edge harder")),
    ):
        if factor is not None and not 1.0 / least < factor < least:
            yield ways[factor < 1.0]


def do(match: SoloMatch, light: Light | None) -> str:
    """Return what to do at a lamp, in the order in which it is done; "" where it matches.

    Parameters
    ----------
    match
        What is off.
    light
        The lamp in the old plan: its distance and its pack's steps.

    Notes
    -----
    A cone's spot is as wide as it is far away, so a wider one stands too far. Bringing it in lifts
    its light by the inverse square (CIE photometric distance law), which the power takes back.
    """
    if match.is_matched:
        return ""
    if match.stops is None:
        return "Put the sitter on the old mark, light this lamp alone, and shoot again."
    steps = list(_steps(match, light))
    text = ", ".join(steps[:-1]) + (", then " if steps[1:] else "") + steps[-1] if steps else ""
    return f"{text[:1].upper()}{text[1:]}." if text else "Shoot again with the sitter on the mark."


def _steps(match: SoloMatch, light: Light | None) -> Iterator[str]:
    if match.falls_otherwise or (match.right is None and match.size > match.near):
        yield "put lamp and sitter on their old marks"
    if match.why == "not_at_mark" and match.falls_otherwise:
        yield "shoot again"
        return
    gained = 0.0
    width = match.width
    if width is not None and not 1.0 / _OTHER_WIDTH < width < _OTHER_WIDTH:
        way = "bring it in" if width > 1.0 else "take it back"
        gained = 2.0 * math.log2(width)
        yield way + _how_far(width, None if light is None else light.distance)
    beams = (
        ("raise its beam", "lower its beam"),
        ("swing its beam left", "swing its beam right"),
    )
    about = "about " if match.is_rough else ""
    for size, way in _ways(match, beams):
        yield f"{way} by {about}{100 * size:.0f} % of the frame"
    turn = -((match.stops or 0.0) + gained)
    step = 0.1 if light is None else light.step
    if abs(turn) > MATCH_STOPS:
        turn = round(turn / step) * step
        yield f"power {'up' if turn > 0 else 'down'} {stops_text(turn)}"


def _how_far(width: float, distance: float | None) -> str:
    if distance is None:
        return " a little"
    centimetres = 100.0 * distance * abs(width - 1.0)
    return f" about {max(_LEAST_CM, round(centimetres / 5.0) * 5.0):.0f} cm"


def stood(light: Light) -> str:
    """Return how a lamp is shaped and where it stands, as far as its plan says."""
    parts = (
        light.modifier,
        light.grid and f"grid {light.grid}",
        light.gel,
        side_text(light.off_axis, "to camera right", "to camera left"),
        side_text(light.elevation, "up", "down"),
        light.distance and f"{light.distance:.2f} m from the face",
        light.stand and f"held by {light.stand}",
        light.pack and f"on {light.pack}",
        None if light.power is None else f"set to {light.power_shown(light.power)}",
    )
    return ", ".join(part for part in parts if part)


def caution(light: Light | None) -> str:
    """Return the caution for a lamp that hangs over a person, "" for one that doesn't.

    Source: common practice of overhead rigging; makers' instructions and local rules come first.
    """
    if light is None:
        return ""
    if not light.is_on_boom and (light.elevation or 0.0) < OVERHEAD_DEG:
        return ""
    return (
        f"{title(lamp_name(light.name))} hangs over the sitter: have everyone out from under it "
        "first, hold the arm while you loosen it, and see to sandbag and safety cable before you "
        "let go."
    )

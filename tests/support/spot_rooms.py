"""Rooms to move in made sets: what is told of a narrow key's, and how far a sitter truly gets.

In the made sets he is moved photosite by photosite, with his texture, until a patch that the key
leads leaves what its target allows: that is the truth, under all lamps that reach him.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from stopwise.frame import window
from stopwise.lamps.beam_spots import Followed, Lit, room_to_move
from stopwise.lamps.unmixing import stack_of
from stopwise.lamps.white_card import read_white_card
from support.lit_sets import SHAPE, LitSet, on_sheet
from support.made_set import LAMPS, WIDTH, Lamp, Sitter, surface

if TYPE_CHECKING:
    from collections.abc import Iterator

CHEEK, ALLOWS = (0.51, 0.28, 0.53, 0.34), (0.3, 0.2)
"""A box on the lit side of the face, all skin; what skin allows under and over (the materials)."""

LOOKED = 0.25


def cheek_z() -> float:
    """Return how far the lit cheek stands out, metres: there the card is held.

    Two centimetres off, a lamp 45 degrees round shifts the edge of its spot by as much, a hundredth
    of the picture's width.
    """
    depths = surface(Sitter(), SHAPE).points[window(CHEEK, SHAPE)][..., 2]
    return float(np.median(depths))


def narrow(rng: np.random.Generator) -> Lamp:
    """Return a key whose spot is 12 to 30 % of the picture wide, somewhere on the sitter's side."""
    round_deg, up_deg = math.radians(rng.uniform(20.0, 60.0)), math.radians(rng.uniform(15.0, 45.0))
    away, to = rng.uniform(1.4, 2.2), (rng.uniform(-0.02, 0.05), rng.uniform(0.12, 0.22), 0.05)
    at = (
        to[0] + away * math.cos(up_deg) * math.sin(round_deg),
        to[1] + away * math.sin(up_deg),
        away * math.cos(up_deg) * math.cos(round_deg),
    )
    spread = math.degrees(math.atan(rng.uniform(0.12, 0.30) * WIDTH / 2.0 / away))
    return replace(LAMPS[0], at=at, to=to, half_angle=spread, edge=rng.uniform(0.8, 3.0))


def level(made: LitSet, steps: int) -> float:
    """Return the cheek's level, stops, with the sitter so many photosites to the right."""
    picture = made.picture(made.light(sitter=Sitter(dx=steps * WIDTH / SHAPE[1])))
    rows, columns = window(CHEEK, SHAPE)
    there = slice(columns.start + steps, columns.stop + steps)
    return float(np.log2(np.median(picture.luminance[rows, there])))


def true_room(made: LitSet, way: int) -> float | None:
    """Return how far he gets, by walking; None where he gets as far as is looked."""
    mark, (under, over) = level(made, 0), ALLOWS

    def outside(steps: int) -> float:
        gained = level(made, way * steps) - mark
        return max(gained - over, -gained - under)

    farthest = int(LOOKED * SHAPE[1])
    first = next((steps for steps in range(0, farthest, 6) if outside(steps) > 0.0), farthest)
    last = outside(max(first - 6, 0))
    for steps in range(max(first - 6, 0) + 1, first + 1):
        now = outside(steps)
        if now > 0.0:
            return (steps - now / (now - last)) / SHAPE[1]
        last = now
    return None


def rooms(seed: int) -> Iterator[tuple[float | None, float | None]]:
    """Yield found and true room to either side of one made set; nothing where no spot is seen."""
    rng = np.random.default_rng(seed)
    key = narrow(rng)
    made = LitSet((key, *LAMPS[1:]), seed=seed, noise=False)
    card = read_white_card(on_sheet(key, z=cheek_z()))
    if card is None:
        return
    lit = Lit(stack_of(made.frame(), made.lamp_set), 0, np.ones(len(made.lamps)))
    found = room_to_move(lit, card, [Followed(CHEEK, CHEEK, ALLOWS)])
    assert found is not None
    for way, room in zip((-1, 1), found, strict=True):
        yield room, true_room(made, way)

"""How paper lamps are moved: obeyed on a made wall, the falloff goes the way that was asked for."""

from __future__ import annotations

import math
from collections import Counter
from copy import copy
from typing import TYPE_CHECKING

import numpy as np
import pytest

from stopwise.measurement.backdrop import read_backdrop
from stopwise.messages import do
from stopwise.verdict import judge
from support.grids import grid_of
from support.paper_scene import BOXES, SHAPE, exposed, places
from support.readings import measurement, plan

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from stopwise.findings import Advice, Finding
    from stopwise.measurement.figures import BackdropReading

    Beam = Callable[[NDArray[np.float64], float], NDArray[np.float64]]

SETS = 100
MOST_STOPS = 5.0
"""Of a made paper: plans ask for 0 to 2, and a wall whose far end has no light is none."""

STEP_DEG = 4.0
"""How far a lamp is tilted or turned when the advice is obeyed: a little."""


def cosine_power(cosine: NDArray[np.float64], width: float) -> NDArray[np.float64]:
    """Return I0 cos^n of the angle off the axis, as luminaires are commonly modelled."""
    return np.clip(cosine, 0.0, None) ** width


def bell(cosine: NDArray[np.float64], width: float) -> NDArray[np.float64]:
    """Return a Gaussian of the angle off the axis, whose half width is 15 to 40 degrees."""
    half = math.radians(47.0 - 4.0 * width)
    return np.exp2(-((np.arccos(np.clip(cosine, -1.0, 1.0)) / half) ** 2))


class Pair:
    """Two lamps before a wall, alike and mirrored: place, tilt and width of their beams.

    Light on the wall is I cos(incidence) / d^2, the photometric distance law with Lambert's cosine.
    """

    def __init__(self, rng: np.random.Generator, beam: Beam = cosine_power) -> None:
        self.beam = beam
        self.side = rng.uniform(1.2, 2.0)
        self.high = rng.uniform(-1.2, 1.2)
        self.away = rng.uniform(1.0, 2.0)
        self.pitch_deg = rng.uniform(-30.0, 30.0)
        self.inward_deg = rng.uniform(15.0, 40.0)
        self.width = rng.uniform(2.0, 8.0)
        self.turns = (0.0, 0.0)

    def light(self) -> NDArray[np.float64]:
        """Return the light on 2.7 m of the wall, y down."""
        x, y = places()
        across, up = (x - 0.5) * 2.7, (0.5 * SHAPE[0] / SHAPE[1] - y) * 2.7
        total = np.zeros(SHAPE)
        pitch, inward = math.radians(self.pitch_deg), math.radians(self.inward_deg)
        for sign, turn in zip((-1.0, 1.0), self.turns, strict=True):
            way = (across - sign * self.side, up - self.high, np.full(SHAPE, self.away))
            axis = (
                -sign * math.sin(inward) * math.cos(pitch),
                math.sin(pitch),
                math.cos(inward) * math.cos(pitch),
            )
            far = np.sqrt(sum(part**2 for part in way))
            along = sum(part * one for part, one in zip(way, axis, strict=True)) / far
            total += 2.0**turn * self.beam(along, self.width) * (self.away / far) / far**2
        return 0.12 * total / np.median(total)

    def obeying(self, advice: Advice) -> Pair:
        """Return them when what was said is done, to both alike."""
        moved = copy(self)
        by = STEP_DEG if advice in ("tilt_up", "turn_in") else -STEP_DEG
        if advice.startswith("tilt"):
            moved.pitch_deg += by
        else:
            moved.inward_deg += by
        return moved


def reading_of(light: NDArray[np.float64]) -> BackdropReading:
    grid = grid_of(exposed(light, snr_at_grey=400.0))
    return read_backdrop(grid, BOXES, mid_grey=0.1273)


def told(
    paper: BackdropReading, *, asked: float, lamps: Sequence[str] = ("paper left", "paper right")
) -> Finding:
    """Return what is said of made paper whose falloff is to be something."""
    lights = [
        {"name": name, "role": "background", "off_axis": place}
        for name, place in zip(lamps, (-120, 120), strict=False)
    ]
    backdrop = {"boxes": [list(box) for box in BOXES], "falloff": asked, "falloff_within": 0.05}
    made = measurement({}, backdrop=paper, size=SHAPE[::-1])
    verdict = judge(made, plan(light=lights, backdrop=backdrop))
    return next(one for one in verdict.findings if one.figure == "falloff")


@pytest.mark.parametrize(("beam", "seed"), [(cosine_power, 0), (bell, 5000)])
def test_paper_lamps_that_are_moved_as_told_bring_the_falloff_nearer(beam: Beam, seed: int) -> None:
    """Of 100 papers that are told a way all go it; a hot spot in the middle is told none.

    What counts as the middle was settled with the first beam; the second was not looked at before.
    """
    ways: Counter[Advice | None] = Counter()
    wrong = []
    while ways.total() - ways[None] < 2 * SETS:
        pair = Pair(np.random.default_rng(seed), beam)
        before = falloff(pair)
        seed += 1
        if before > MOST_STOPS:
            continue
        paper = reading_of(pair.light())
        for is_flatter in (True, False):
            asked = max(before - 0.5, 0.0) if is_flatter else before + 0.5
            advice = told(paper, asked=asked).advice
            ways[advice] += 1
            after = before if advice is None else falloff(pair.obeying(advice))
            if advice is not None and (after < before) != is_flatter:
                wrong.append((seed, advice, round(before, 2), round(after, 2)))
    assert wrong == []
    assert ways[None] < 0.2 * ways.total()
    assert min(ways["tilt_up"], ways["tilt_down"]) > 20


def falloff(pair: Pair) -> float:
    """Return brightest to darkest of the paper inside its boxes, stops, straight from the model."""
    x, y = places()
    high = y * SHAPE[1] / SHAPE[0]
    inside = np.zeros(SHAPE, dtype=bool)
    for x0, y0, x1, y1 in BOXES:
        inside |= (x > x0) & (x < x1) & (high > y0) & (high < y1)
    stops = np.log2(pair.light()[inside])
    return float(stops.max() - stops.min())


@pytest.mark.parametrize(("turns", "side"), [((1.5, 0.0), "left"), ((0.0, 1.5), "right")])
def test_one_side_that_is_too_light_is_its_lamps(turns: tuple[float, float], side: str) -> None:
    pair = Pair(np.random.default_rng(5))
    pair.turns = turns
    finding = told(reading_of(pair.light()), asked=0.0)
    assert (finding.advice, finding.detail.lamps) == ("feather_paper", (f"paper {side}",))
    assert do(finding) == f"Feather the paper {side} lamp off the paper."


def test_one_paper_lamp_is_called_by_its_name_and_no_lamp_is_made_up() -> None:
    paper = reading_of(Pair(np.random.default_rng(0)).light())
    both = told(paper, asked=0.0)
    assert "both paper lamps" in do(both)
    assert "the wash lamp" in do(told(paper, asked=0.0, lamps=["wash"]))
    assert told(paper, asked=0.0, lamps=[]).advice is None

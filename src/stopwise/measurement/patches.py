"""Patches: what one box of the frame holds, with the uncertainty of its zone."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from stopwise.cells import weighted
from stopwise.frame import window
from stopwise.grid import is_blocked
from stopwise.measurement.figures import PatchReading
from stopwise.measurement.noise import QUANTISING
from stopwise.stops import zone_of_luminance

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from stopwise.cells import Cells
    from stopwise.frame import Box, Point, Window
    from stopwise.measurement.clipping import ClippedCells
    from stopwise.measurement.figures import Levels
    from stopwise.measurement.noise import SensorNoise

_NORMAL = NormalDist()

_LEAST_FOR_SPREAD = 16
"""Values; fewer have no density that can be told from chance: the fifth to either side is three."""

_REACH = 0.2
"""Share of the values to either side of a percentile that its density is taken from."""

_TAIL, _HALVINGS = 5.0, 30
"""Standard deviations beyond which a normal spread is nothing (3e-7), and halvings of a search:
2^-30 of the range."""

_MIDDLE = 50.0
"""Per cent: the median."""

_DRIFT_BINS = 160
"""Bins to either side of the median, each a sixteenth of the noise: ten noises."""

_FIRST_DOSE = 1.0 / (math.sqrt(2.0) - 1.0)
"""How many times as far the first dose of a noise moves a median as a second equal one: doses add
in squares, and the median moves in proportion to their root."""

_MOVED = 0.85
"""Of what noise is reckoned to move a median by: how far it did, as a standard uncertainty (set on
half of the photographs that we didn't make)."""

_BY_CHANCE = 2.0
"""Of the scatter's square: what chance alone makes of the drift's (set on our own renderer)."""

_TRUSTED = 0.4
"""Of what noise is taken to add to an upper percentile: how far that may be wrong (set on our own
renderer)."""

_SMALL_SAMPLE = math.pi / 2.0 - 1.0
"""What the count of a small sample is short by: with it one value has its own noise."""


def percentile_uncertainty(
    values: NDArray[np.float64], *, noise: float, percentile: float = 50.0
) -> float:
    """Return the standard uncertainty of a percentile of noisy values.

    Parameters
    ----------
    values
        (n,), any unit, as measured, noise and all.
    noise
        Standard deviation of the noise of one value near that percentile, same unit.
    percentile
        Above 0, under 100.

    Returns
    -------
    float
        Same unit. What is asked for is the percentile of the same cells without noise: their
        spread is no error, and matters only by how many of them noise can carry across.

    Notes
    -----
    Scatter and drift, added in squares. *Scatter*: with f the density of the values at the
    percentile and p a cell's chance to lie under it, the variance is mean(p (1 - p)) / (n f^2).
    For true values that are spread normally with s times the noise, mean(p (1 - p)) =
    2 T(a, 1 / sqrt(1 + 2 s^2)), with T Owen's function and a the normal quantile (D. B. Owen,
    Annals of Mathematical Statistics 27, 1956, 1075). A flat patch has s = 0 and gives the
    textbook's sqrt(pi / 2) noise / sqrt(n) for a median. *Drift*: what noise moves the percentile
    of cells that lie in steps, lumps or a skewed spread.
    """
    scatter = percentile_scatter(values, noise=noise, percentile=percentile)
    if percentile == _MIDDLE:
        return _with_drift(scatter, median_drift(values, noise=noise))
    level = float(np.percentile(values, percentile))
    moved = level - percentile_without_noise(values, noise=noise, percentile=percentile)
    return math.hypot(scatter, _TRUSTED * moved)


def _with_drift(scatter: float, drift: float) -> float:
    """Return the uncertainty of a median from its scatter and from what noise moves it by."""
    return math.hypot(scatter, _MOVED * math.sqrt(max(drift**2 - _BY_CHANCE * scatter**2, 0.0)))


def percentile_scatter(
    values: NDArray[np.float64], *, noise: float, percentile: float = 50.0
) -> float:
    """Return what shrinks of `percentile_uncertainty` with more values (n,), in any unit."""
    from scipy.special import owens_t

    at = _NORMAL.inv_cdf(percentile / 100.0)
    spread = max(local_spread(values, percentile=percentile), noise)
    if spread <= 0.0:
        return 0.0
    wider = (spread / noise) ** 2 - 1.0 if noise > 0.0 else math.inf
    crossing = 2.0 * float(owens_t(at, 1.0 / math.sqrt(1.0 + 2.0 * wider)))
    return math.sqrt(crossing / (len(values) + _SMALL_SAMPLE)) * spread / _NORMAL.pdf(at)


def local_spread(values: NDArray[np.float64], *, percentile: float = 50.0) -> float:
    """Return the standard deviation of the normal spread that is as dense at a percentile.

    Taken from the values (n,) a fifth of all to either side (nearer at the ends); of fewer than 16
    values the plain standard deviation.
    """
    if len(values) < _LEAST_FOR_SPREAD:
        return float(np.std(values))
    share = percentile / 100.0
    reach = min(_REACH, 0.8 * share, 0.8 * (1.0 - share))
    low, high = np.quantile(values, (share - reach, share + reach))
    width = _NORMAL.inv_cdf(share + reach) - _NORMAL.inv_cdf(share - reach)
    return float(high - low) / width


def median_drift(values: NDArray[np.float64], *, noise: float) -> float:
    """Return how far noise has moved the median of values (n,), by what one more dose of it does.

    Each value is spread by the noise, and the level is taken where the sum of the spreads reaches
    a half; the doses add to sqrt(2) of the noise.
    """
    if noise <= 0.0 or len(values) < _LEAST_FOR_SPREAD:
        return 0.0
    level = float(np.median(values))
    bin_width = noise / 16.0
    centres = level + bin_width * np.arange(-_DRIFT_BINS, _DRIFT_BINS + 1.0)
    at = np.clip(np.rint((values - level) / bin_width), -_DRIFT_BINS - 1, _DRIFT_BINS + 1)
    held = np.bincount((at + _DRIFT_BINS + 1).astype(np.intp), minlength=len(centres) + 2)
    wanted = len(values) / 2.0 - float(held[0])
    counts = held[1:-1].astype(np.float64)
    after, before = (_level_of(centres, counts, wanted, width=w) for w in (noise, bin_width))
    return _FIRST_DOSE * (after - before)


def level_at(
    values: NDArray[np.float64], percentile: float, *, noise: float = 0.0, step: float = 0.0
) -> float:
    """Return a percentile of values that were rounded.

    Parameters
    ----------
    values
        (n,), any unit.
    percentile
        0 to 100, interpolated between values.
    noise
        Standard deviation of the noise of one value, same unit.
    step
        Standard deviation of the rounding of one value, same unit; 0 takes the values as they are.

    Returns
    -------
    float
        Same unit. Rounded values stand on a lattice, and so would their median: off by up to half
        a level however many there are. Where that outweighs the scatter of noise that spans more
        than a level, each is spread over its rounding, and the level is where the sum of the
        spreads reaches the percentile; elsewhere the plain percentile stands.
    """
    plain = float(np.percentile(values, percentile))
    if (
        not 0.0 < step <= noise
        or percentile_scatter(values, noise=noise, percentile=percentile) > step
    ):
        return plain
    low = values < plain - 2.0 * _TAIL * step
    near = values[~low & (values < plain + 2.0 * _TAIL * step)]
    if len(near) < _LEAST_FOR_SPREAD:
        return plain
    wanted = percentile / 100.0 * len(values) - float(np.count_nonzero(low))
    return _level_of(near, np.ones(len(near)), wanted, width=step)


def _level_of(
    places: NDArray[np.float64], counts: NDArray[np.float64], wanted: float, *, width: float
) -> float:
    """Return the level under which so many lie when each is spread by a normal of a width."""
    from scipy.special import ndtr

    low, high = float(places.min()) - width, float(places.max()) + width
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        if float(ndtr((middle - places) / width) @ counts) < wanted:
            low = middle
        else:
            high = middle
    return (low + high) / 2.0


def percentile_without_noise(
    values: NDArray[np.float64], *, noise: float, percentile: float, step: float = 0.0
) -> float:
    """Return a percentile with what noise adds to its distance from the median taken out.

    Parameters
    ----------
    values
        (n,), any unit.
    noise, percentile, step
        See `level_at`.

    Returns
    -------
    float
        Same unit. Noise widens a spread, so that an upper percentile reads high: the 90th of an
        even patch by 1.28 noises. Variances add, so the distance from the median shrinks by
        sqrt(1 - noise^2 / spread^2). A median stays as it is.
    """
    level = level_at(values, percentile, noise=noise, step=step)
    if percentile == _MIDDLE:
        return level
    middle = level_at(values, _MIDDLE, noise=noise, step=step)
    quantile = _NORMAL.inv_cdf(percentile / 100.0)
    if level == middle:
        return level
    spread = (level - middle) / quantile
    return middle + (level - middle) * math.sqrt(max(1.0 - (noise / spread) ** 2, 0.0))


def median_uncertainty(
    values: NDArray[np.float64],
    noise: NDArray[np.float64],
    *,
    less: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None,
) -> float:
    """Return the standard uncertainty of a median that the noise of its values brings.

    Parameters
    ----------
    values, noise
        (n,), the values and the standard deviation of each, same unit.
    less
        The same of another median that is taken from it; what noise moves both by falls out.

    Returns
    -------
    float
        Same unit. With all true values equal it is sqrt(pi/2) noise / sqrt(n); where the values
        spread more widely only those near the median can shift it.

    Notes
    -----
    It scatters by (flips) / (density), with p the chance that a value lies above the median:
    sqrt(sum p (1 - p)) / sum(density at the median), both over the values' own normal noise. Drift
    is added as in `percentile_uncertainty`.
    """
    scatter, moved = _scatter_and_drift(values, noise)
    if less is not None:
        other, by = _scatter_and_drift(*less)
        scatter, moved = math.hypot(scatter, other), moved - by
    return _with_drift(scatter, moved)


def _scatter_and_drift(
    values: NDArray[np.float64], noise: NDArray[np.float64]
) -> tuple[float, float]:
    from scipy.special import ndtr

    noise = np.maximum(noise, 1e-12)
    off = (values - np.median(values)) / noise
    near = np.abs(off) < _TAIL + 1.0
    dense = np.exp(-0.5 * off[near] ** 2) / (math.sqrt(2.0 * math.pi) * noise[near])
    above = ndtr(off[near])
    scatter = float(np.sqrt((above * (1.0 - above)).sum()) / max(dense.sum(), 1e-12))
    return scatter, median_drift(values, noise=float(np.median(noise)))


TOP_PERCENTILE = 99.0
"""A hot centre is read here: a median hides it."""

_LEAST_BENDS = 24
"""Second differences; fewer tell a variance to no better than 0.4 of itself."""

_DENOISED = 0.8
"""Of the noise that is due: where less is seen the camera smooths (set on our own renderer)."""

_STOP = 1.0 / math.log(2.0)
"""Stops of a natural logarithm's unit."""

_LOG_IS_FAIR = 8.0
"""Noises above black from which noise hardly moves the mean of a logarithm: by 0.011 stop."""

_FIGURES = (
    "zone", "uncertainty", "top", "headroom", "texture", "blocked", "snr", "red_green",
    "blue_green", "log2_y",
)  # fmt: skip

Figures = dict[str, "float | str"]
"""Each figure, or the name of the condition that keeps it from being seen."""


@dataclass(frozen=True, eq=False, slots=True)
class Ground:
    """What all patches of a frame are read on.

    Attributes
    ----------
    cells, levels, clipped, noise
        The frame, where its photosites stop, which do (None: none), and its noise where known.
    mid_grey
        Y of mid-grey; None where it holds for another camera.
    """

    cells: Cells
    levels: Levels
    clipped: ClippedCells | None
    noise: SensorNoise | None
    mid_grey: float | None


@dataclass(frozen=True, slots=True)
class CellNoise:
    """Variance of a cell's Y: `dark` + `gain` x Y, anchor = 1."""

    dark: float
    gain: float

    def variance(self, luminance: NDArray[np.float64] | float) -> NDArray[np.float64]:
        """Return the variance at luminances of any shape, both with anchor = 1."""
        return np.asarray(self.dark + self.gain * np.maximum(luminance, 0.0))


@dataclass(frozen=True, eq=False, slots=True)
class _Held:
    """A box: signals (n_channels, h, w), Y and clipped cells (h, w), noise, and the top of Y."""

    at: Window
    signals: NDArray[np.float32]
    light: NDArray[np.float64]
    clipped: NDArray[np.bool_]
    noise: CellNoise | None
    top: float


def read_patch(ground: Ground, box: Box, *, read_at: float = 50.0) -> PatchReading:
    """Read one box.

    Parameters
    ----------
    ground
        The frame.
    box
        x0, y0, x1, y1, fractions of the upright picture.
    read_at
        Percentile of Y that the zone is read at: 50 is the median; hair is read at 90, since its
        median is the gaps between strands.

    Returns
    -------
    PatchReading
        Zone, uncertainty and log2 Y aren't seen where the percentile lies among clipped cells
        ("all_clipped") or not above black ("no_light"). `top` and `headroom` go on: a clipped top
        is a least value.
    """
    cells, clipped = ground.cells, ground.clipped
    shape = cells.shape
    at = window(box, shape)
    signals = cells.signals(at)
    light = weighted(signals, cells.channel_weights).astype(np.float64)
    none = np.zeros(light.shape, dtype=bool)
    held = _Held(
        at,
        signals,
        light,
        none if clipped is None else clipped.any[at],
        cell_noise(ground, at, light),
        float(np.percentile(light, TOP_PERCENTILE)),
    )
    figures = _level(ground, held, read_at) | _spread(ground, held) | _tints(ground, held)
    figures["headroom"] = _headroom(ground, at)
    return PatchReading(
        box=box,
        clipped=0.0 if clipped is None else float(clipped.blown[at].mean()),
        **{name: None if isinstance(part, str) else part for name, part in figures.items()},
        why={name: part for name, part in figures.items() if isinstance(part, str)},
        top_at=_top_at(held, shape),
    )


def lost_patch(box: Box, score: float) -> PatchReading:
    """Return the reading of a patch that was not found again: nothing but its score."""
    return PatchReading(
        box=box,
        clipped=0.0,
        score=score,
        why=dict.fromkeys(_FIGURES, "not_followed"),
        **dict.fromkeys(_FIGURES),
    )


def _level(ground: Ground, held: _Held, read_at: float) -> Figures:
    """Return zone, its uncertainty, log2 Y and SNR."""
    names = ("zone", "uncertainty", "log2_y", "snr")
    if held.clipped.mean() > 1.0 - read_at / 100.0:
        return dict.fromkeys(names, "all_clipped")
    light, noise = held.light.ravel(), held.noise
    step = math.sqrt(QUANTISING * sum(share**2 for share in ground.cells.shares))
    sd = 0.0 if noise is None else math.sqrt(noise.variance(float(np.percentile(light, read_at))))
    level = percentile_without_noise(light, noise=sd, percentile=read_at, step=step)
    if not level > 0.0:
        return dict.fromkeys(names, "no_light")
    unsure = percentile_uncertainty(light, noise=sd, percentile=read_at) / level * _STOP
    mid_grey = ground.mid_grey
    return {
        "zone": "other_camera" if mid_grey is None else zone_of_luminance(level, mid_grey),
        "uncertainty": unsure if noise else "too_few",
        "log2_y": math.log2(level),
        "snr": level / sd if sd > 0.0 else "too_few",
    }


def _spread(ground: Ground, held: _Held) -> Figures:
    """Return top, blocked share and texture."""
    texture = _texture(held.light[~held.clipped], held.noise)
    if ground.mid_grey is None:
        return {"top": "other_camera", "blocked": "other_camera", "texture": texture}
    top = held.top
    return {
        "top": zone_of_luminance(top, ground.mid_grey) if top > 0.0 else "no_light",
        "blocked": float(np.mean(is_blocked(held.light, ground.mid_grey))),
        "texture": texture,
    }


def _texture(light: NDArray[np.float64], noise: CellNoise | None) -> float | str:
    """Return the RMS of log2 Y with the noise's variance taken out, stops.

    In tones so dark that the logarithm of noise is skewed, the spread of Y over its mean stands
    for it.
    """
    if len(light) < 2 or noise is None:
        return "all_clipped" if len(light) == 0 else "too_few"
    mean, variance = float(light.mean()), noise.variance(light)
    if mean <= 0.0:
        return "no_light"
    if (light > _LOG_IS_FAIR * np.sqrt(variance)).all():
        logs = np.log2(light)
        left = float(np.var(logs) - np.mean(variance / light**2) * _STOP**2)
    else:
        left = float(np.var(light) - np.mean(variance)) / mean**2 * _STOP**2
    return math.sqrt(max(left, 0.0))


def _top_at(held: _Held, shape: tuple[int, int]) -> Point:
    """Return the middle of a window's brightest hundredth, fractions of the upright picture."""
    rows, columns = np.nonzero(held.light >= held.top)
    y = held.at[0].start + float(np.median(rows)) + 0.5
    x = held.at[1].start + float(np.median(columns)) + 0.5
    return x / shape[1], y / shape[0]


def _headroom(ground: Ground, at: Window) -> float | str:
    """Return stops from the 99th percentile of the fullest colour to where it stops."""
    cells, saturation = ground.cells, ground.levels.saturation
    rooms = []
    for colour, black in enumerate(cells.black):
        held = [
            plane[at].ravel()
            for plane, own in zip(cells.planes, cells.plane_colours, strict=True)
            if own == colour
        ]
        level = float(np.percentile(np.concatenate(held), TOP_PERCENTILE)) - black
        if level > 0.0:
            rooms.append(math.log2((saturation[colour] - black) / level))
    return max(min(rooms), 0.0) if rooms else "no_light"


def _tints(ground: Ground, held: _Held) -> Figures:
    """Return R/G and B/G of the unclipped cells' mean light, stops."""
    names = ("red_green", "blue_green")
    if not ground.cells.in_colour:
        return dict.fromkeys(names, "no_colour")
    if held.clipped.all():
        return dict.fromkeys(names, "all_clipped")
    mean = dict(
        zip(
            ground.cells.channels,
            held.signals[:, ~held.clipped].mean(axis=1, dtype=np.float64).tolist(),
            strict=True,
        )
    )
    if min(mean.values()) <= 0.0:
        return dict.fromkeys(names, "no_colour")
    return {
        "red_green": math.log2(mean["R"] / mean["G"]),
        "blue_green": math.log2(mean["B"] / mean["G"]),
    }


def cell_noise(ground: Ground, at: Window, light: NDArray[np.float64]) -> CellNoise | None:
    """Return the noise of a cell's Y in one window.

    Parameters
    ----------
    ground
        The frame.
    at
        Rows and columns of the cell picture.
    light
        (h, w), Y of that window.

    Returns
    -------
    CellNoise or None
        What photon transfer knows of the sensor gives it, free of the window's texture. Second
        differences between neighbours along rows overrule it where they are less (a camera that
        smooths), and stand in where the sensor's noise isn't known; None with too few cells then.
    """
    seen = None
    if light.shape[1] >= 3 and light.shape[0] * (light.shape[1] - 2) >= _LEAST_BENDS:
        bend = light[:, :-2] - 2.0 * light[:, 1:-1] + light[:, 2:]
        seen = float(np.mean(bend**2)) / 6.0
    if ground.noise is None:
        return None if seen is None else CellNoise(seen, 0.0)
    cells, dark, photons = ground.cells, 0.0, 0.0
    for plane, colour, share in zip(cells.planes, cells.plane_colours, cells.shares, strict=True):
        signal = float(np.mean(plane[at])) - cells.black[colour]
        dark += share**2 * ground.noise.dark[colour]
        photons += share**2 * ground.noise.gain[colour] * max(signal, 0.0)
    mean = float(light.mean())
    known = CellNoise(dark, photons / mean if mean > 0.0 else 0.0)
    due = float(known.variance(light).mean())
    if seen is None or seen >= _DENOISED * due:
        return known
    return CellNoise(known.dark * seen / due, known.gain * seen / due)

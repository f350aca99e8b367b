"""Patches: what one box of the frame holds, with the uncertainty of its zone."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from stopwise.cells import weighted
from stopwise.frame import window
from stopwise.grid import is_blocked
from stopwise.measurement.figures import PatchReading
from stopwise.measurement.noise import QUANTISING
from stopwise.measurement.percentiles import percentile_uncertainty, percentile_without_noise
from stopwise.stops import zone_of_luminance

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from stopwise.cells import Cells
    from stopwise.frame import Box, Point, Window
    from stopwise.measurement.clipping import ClippedCells
    from stopwise.measurement.figures import Levels
    from stopwise.measurement.noise import SensorNoise

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

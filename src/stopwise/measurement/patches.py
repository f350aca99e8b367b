"""Patches: what one box of the frame holds, with the uncertainty of its zone."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from stopwise.measurement.boxes import window
from stopwise.measurement.measurement import PatchReading
from stopwise.measurement.noise import QUANTISING
from stopwise.measurement.quantiles import percentile_without_noise, quantile_uncertainty
from stopwise.measurement.zones import blocked_under
from stopwise.stops import zone_of_luminance

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from stopwise.measurement.cells import Cells, Window
    from stopwise.measurement.clipping import ClipMasks
    from stopwise.measurement.measurement import Box, Levels, Point
    from stopwise.measurement.noise import SensorNoise

TOP_PERCENTILE = 99.0
"""A hot centre is read here: a median hides it."""

_LEAST_BENDS = 24
_DENOISED = 0.8
_STOP = 1.0 / math.log(2.0)
_LOG_IS_FAIR = 8.0
_FIGURES = (
    "zone", "uncertainty", "top", "headroom", "texture", "blocked", "snr", "red_green",
    "blue_green", "log2_y",
)  # fmt: skip


@dataclass(frozen=True, eq=False, slots=True)
class Ground:
    """What all patches of a frame are read on.

    Attributes
    ----------
    cells, levels, masks, noise
        The frame, where its photosites stop, which do (None: none), and its noise where known.
    mid_grey
        Y of mid-grey; None where it holds for another camera.
    """

    cells: Cells
    levels: Levels
    masks: ClipMasks | None
    noise: SensorNoise | None
    mid_grey: float | None


@dataclass(frozen=True, slots=True)
class CellNoise:
    """Variance of a cell's Y: `dark` + `gain` x Y, anchor = 1."""

    dark: float
    gain: float

    def variance(self, luminance: NDArray[np.float64] | float) -> NDArray[np.float64]:
        """Return the variance at a luminance."""
        return np.asarray(self.dark + self.gain * np.maximum(luminance, 0.0))

    def sd(self, luminance: float) -> float:
        """Return the standard deviation at a luminance."""
        return math.sqrt(float(self.variance(luminance)))


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
    at = window(box, ground.cells.shape)
    plane = ground.cells.luminance[at].astype(np.float64)
    light, clipped = plane.ravel(), _clipped(ground, at)
    noise = cell_noise(ground, at, plane)
    figures = _level_figures(ground, light, noise, read_at, float(clipped.mean()))
    figures |= _spread_figures(ground, light, clipped, noise)
    figures |= {"headroom": _headroom(ground, at)} | _tints(ground, at, clipped)
    return PatchReading(
        box=box,
        clipped=0.0 if ground.masks is None else float(ground.masks.blown[at].mean()),
        **{name: None if isinstance(part, str) else part for name, part in figures.items()},
        why={name: part for name, part in figures.items() if isinstance(part, str)},
        top_at=_top_at(plane, at, ground.cells.shape),
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


Figures = dict[str, "float | str"]
"""Each figure, or the name of the condition that keeps it from being seen."""


def _level_figures(
    ground: Ground,
    light: NDArray[np.float64],
    noise: CellNoise | None,
    read_at: float,
    clipped_share: float,
) -> Figures:
    """Return zone, its uncertainty, log2 Y and SNR."""
    names = ("zone", "uncertainty", "log2_y", "snr")
    if clipped_share > 1.0 - read_at / 100.0:
        return dict.fromkeys(names, "all_clipped")
    step = math.sqrt(QUANTISING * sum(share**2 for share in ground.cells.shares))
    sd = noise.sd(float(np.percentile(light, read_at))) if noise else 0.0
    level = percentile_without_noise(light, noise=sd, percentile=read_at, step=step)
    if not level > 0.0:
        return dict.fromkeys(names, "no_light")
    unsure = quantile_uncertainty(light, noise=sd, percentile=read_at) / level * _STOP
    return {
        "zone": "other_camera" if ground.mid_grey is None
        else zone_of_luminance(level, ground.mid_grey),
        "uncertainty": unsure if noise else "too_few",
        "log2_y": math.log2(level),
        "snr": level / sd if sd > 0.0 else "too_few",
    }  # fmt: skip


def _spread_figures(
    ground: Ground,
    light: NDArray[np.float64],
    clipped: NDArray[np.bool_],
    noise: CellNoise | None,
) -> Figures:
    """Return top, blocked share and texture."""
    texture = _texture(light[~clipped.ravel()], noise)
    if ground.mid_grey is None:
        return {"top": "other_camera", "blocked": "other_camera", "texture": texture}
    top = float(np.percentile(light, TOP_PERCENTILE))
    return {
        "top": zone_of_luminance(top, ground.mid_grey) if top > 0.0 else "no_light",
        "blocked": float(np.mean(light < blocked_under(ground.mid_grey))),
        "texture": texture,
    }


def _top_at(plane: NDArray[np.float64], at: Window, shape: tuple[int, int]) -> Point:
    """Return the middle of a window's brightest hundredth, fractions of the upright picture."""
    rows, columns = np.nonzero(plane >= np.percentile(plane, TOP_PERCENTILE))
    y = at[0].start + float(np.median(rows)) + 0.5
    x = at[1].start + float(np.median(columns)) + 0.5
    return x / shape[1], y / shape[0]


def _clipped(ground: Ground, at: Window) -> NDArray[np.bool_]:
    if ground.masks is None:
        return np.zeros(ground.cells.luminance[at].shape, dtype=bool)
    return ground.masks.any[at]


# --- noise ---------------------------------------------------------------------------------------


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
    seen = _from_differences(light)
    known = _from_transfer(ground, at, float(light.mean()))
    if known is None:
        return None if seen is None else CellNoise(seen, 0.0)
    due = float(known.variance(light).mean())
    if seen is None or seen >= _DENOISED * due:
        return known
    return CellNoise(known.dark * seen / due, known.gain * seen / due)


def _from_differences(light: NDArray[np.float64]) -> float | None:
    if light.shape[1] < 3 or light.shape[0] * (light.shape[1] - 2) < _LEAST_BENDS:
        return None
    bend = light[:, :-2] - 2.0 * light[:, 1:-1] + light[:, 2:]
    return float(np.mean(bend**2)) / 6.0


def _from_transfer(ground: Ground, at: Window, mean: float) -> CellNoise | None:
    """Return the noise that the sensor's gain and read noise give, colour by colour."""
    if ground.noise is None:
        return None
    cells, dark, photons = ground.cells, 0.0, 0.0
    for number, share in enumerate(cells.shares):
        colour = cells.plane_colours[number]
        signal = float(np.mean(cells.planes[number][at])) - cells.black[colour]
        dark += share**2 * ground.noise.dark[colour]
        photons += share**2 * ground.noise.gain[colour] * max(signal, 0.0)
    return CellNoise(dark, photons / mean if mean > 0.0 else 0.0)


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


# --- colours -------------------------------------------------------------------------------------


def _headroom(ground: Ground, at: Window) -> float | str:
    """Return stops from the 99th percentile of the fullest colour to where it stops."""
    cells, levels = ground.cells, ground.levels
    rooms = []
    for colour in range(len(cells.colours)):
        held = [
            plane[at].ravel()
            for plane, own in zip(cells.planes, cells.plane_colours, strict=True)
            if own == colour
        ]
        level = float(np.percentile(np.concatenate(held), TOP_PERCENTILE)) - cells.black[colour]
        if level > 0.0:
            rooms.append(math.log2((levels.saturation[colour] - cells.black[colour]) / level))
    return max(min(rooms), 0.0) if rooms else "no_light"


def _tints(ground: Ground, at: Window, clipped: NDArray[np.bool_]) -> Figures:
    """Return R/G and B/G of the unclipped cells' mean light, stops."""
    names = ("red_green", "blue_green")
    if not {"R", "G", "B"} <= set(ground.cells.channels):
        return dict.fromkeys(names, "no_colour")
    if clipped.all():
        return dict.fromkeys(names, "all_clipped")
    red, green, blue = (
        float(np.mean(ground.cells.signal(name, at)[~clipped], dtype=np.float64)) for name in "RGB"
    )
    if min(red, green, blue) <= 0.0:
        return dict.fromkeys(names, "no_colour")
    return {"red_green": math.log2(red / green), "blue_green": math.log2(blue / green)}

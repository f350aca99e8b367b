"""Zones: tones as stops round mid-grey, and how a frame's cells spread over them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from stopwise.measurement.measurement import Zones
from stopwise.stops import MID_GREY_OF_SATURATION, luminance_of_zone

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from stopwise.frame import Frame
    from stopwise.plan import Plan

ZONES = 11
"""Zone 0 to Zone X."""

_BLOCKED_ZONE = 1.0
_BAND = 100_000
"""Cells that are counted at a time, so that a band stays in the processor's cache."""
_SAME_ISO_STOPS = 1.0 / 6.0


def blocked_under(mid_grey: float) -> float:
    """Return the Y under which a cell is blocked: that of Zone I."""
    return luminance_of_zone(_BLOCKED_ZONE, mid_grey)


def mid_grey_for(frame: Frame, plan: Plan | None) -> float | None:
    """Return mid-grey as a fraction of the anchor, or None where it holds for another camera.

    Parameters
    ----------
    frame
        The frame: its body and ISO.
    plan
        The plan, with what a grey card gave and for which body and ISO. Without a figure in the
        plan mid-grey is 0.18 / sqrt(2) = 0.1273 of saturation (ISO 12232).

    Notes
    -----
    ISO speeds are the same within 1/6 stop, as files round them. A figure that names no body or
    ISO holds for every one.
    """
    if plan is None or plan.camera.mid_grey is None:
        return MID_GREY_OF_SATURATION
    model, iso = plan.camera.mid_grey_model, plan.camera.mid_grey_iso
    if model is not None and frame.camera.model != model:
        return None
    if iso is not None and not _same_iso(frame.exposure.iso, iso):
        return None
    return plan.camera.mid_grey


def _same_iso(one: float | None, other: float) -> bool:
    return one is not None and abs(math.log2(one / other)) <= _SAME_ISO_STOPS


def spread_over_zones(
    luminance: NDArray[np.float32],
    *,
    mid_grey: float,
    clipped: NDArray[np.bool_] | None = None,
) -> tuple[float, ...]:
    """Return the share of cells in each zone.

    Parameters
    ----------
    luminance
        float32 (h, w), Y of each cell, anchor = 1.
    mid_grey
        Y of mid-grey.
    clipped
        bool (h, w), cells that are left out of every zone; None for none.

    Returns
    -------
    tuple of float
        Eleven fractions of all cells, Zone 0 to X: zone k holds k - 0.5 <= zone < k + 0.5, Zone 0
        all that is darker and Zone X all that is lighter. With the clipped share they sum to 1.
    """
    held = luminance if clipped is None else luminance[~clipped]
    edges = [luminance_of_zone(number + 0.5, mid_grey) for number in range(ZONES - 1)]
    counts = _counts(held.ravel(), np.asarray(edges))
    return tuple(float(count) / luminance.size for count in counts)


def _counts(values: NDArray[np.float32], edges: NDArray[np.float64]) -> NDArray[np.int64]:
    """Return how many values lie under the first edge, between edges, and from the last on."""
    under = np.zeros(len(edges), dtype=np.int64)
    for start in range(0, values.size, _BAND):
        band = values[start : start + _BAND]
        under += [int(np.count_nonzero(band < edge)) for edge in edges.astype(np.float32)]
    return np.asarray(np.diff(np.array([0, *under, values.size])), dtype=np.int64)


def read_zones(
    luminance: NDArray[np.float32],
    *,
    mid_grey: float | None,
    default_mid_grey: float = MID_GREY_OF_SATURATION,
    clipped: NDArray[np.bool_] | None = None,
) -> Zones:
    """Return how a frame's cells spread over the zones.

    Parameters
    ----------
    luminance, clipped
        See `spread_over_zones`.
    mid_grey
        Y of mid-grey; None where it holds for another camera: then `share` is None.
    default_mid_grey
        What is then told as mid-grey.
    """
    share = None
    if mid_grey is not None:
        share = spread_over_zones(luminance, mid_grey=mid_grey, clipped=clipped)
    return Zones(
        share=share,
        clipped=0.0 if clipped is None else float(np.count_nonzero(clipped)) / clipped.size,
        mid_grey=default_mid_grey if mid_grey is None else mid_grey,
    )

"""Zones: mid-grey for a frame's camera, and how its cells spread over the zones."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from stopwise.measurement.figures import Zones
from stopwise.stops import MID_GREY_OF_SATURATION

if TYPE_CHECKING:
    from stopwise.frame import Frame
    from stopwise.grid import LightGrid
    from stopwise.plan import Plan

SAME_ISO_STOPS = 1.0 / 6.0
"""ISO speeds that lie nearer are one: files round them to a sixth of a stop at worst."""


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
    A figure that names no body or ISO holds for every one.
    """
    if plan is None or plan.camera.mid_grey is None:
        return MID_GREY_OF_SATURATION
    model, named, iso = plan.camera.mid_grey_model, plan.camera.mid_grey_iso, frame.exposure.iso
    if model is not None and frame.camera.model != model:
        return None
    if named is not None and (iso is None or abs(math.log2(iso / named)) > SAME_ISO_STOPS):
        return None
    return plan.camera.mid_grey


def read_zones(grid: LightGrid, *, mid_grey: float | None) -> Zones:
    """Return how a frame's cells spread over the zones.

    Parameters
    ----------
    grid
        The frame, with its tones counted.
    mid_grey
        Y of mid-grey; None where it holds for another camera: then `share` is None.

    Returns
    -------
    Zones
        Eleven fractions of all cells, Zone 0 to X: zone k holds k - 0.5 <= zone < k + 0.5, Zone 0
        all that is darker and Zone X all that is lighter. With the clipped share they sum to 1.

    Raises
    ------
    ValueError
        If the grid is a sum, of which no cells were counted.
    """
    if grid.tones is None:
        msg = "zones are counted from a frame's cells, got a sum of grids"
        raise ValueError(msg)
    rows, columns = grid.cells
    held = grid.tones.zones()
    share = None if mid_grey is None else tuple(int(cells) / (rows * columns) for cells in held)
    return Zones(
        share=share,
        clipped=(rows * columns - int(held.sum())) / (rows * columns),
        mid_grey=MID_GREY_OF_SATURATION if mid_grey is None else mid_grey,
    )

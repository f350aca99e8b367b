"""Grids of light as bytes and back, so that a frame is decoded once and then read from a store."""

from __future__ import annotations

import io
import json
import zipfile
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from stopwise.frame import Camera, Exposure
from stopwise.grid import BoxCells, LightGrid

if TYPE_CHECKING:
    from numpy.typing import NDArray

FORM = 4
"""Number of this form; bytes of another form are refused, never guessed at."""

_PLANES = ("mean", "noise", "clipped", "blocked", "fullest", "tail")
_AS_THEY_ARE = ("block", "mid_grey", "orientation", "is_stop_named")
_TUPLES = ("weights", "ceiling", "cells", "size")


def to_blob(grid: LightGrid) -> bytes:
    """Return a grid as bytes; light is kept to 1 part in 2000, cells of boxes in full.

    Parameters
    ----------
    grid
        Any grid; its histogram of tones is left out.
    """
    head = {
        "form": FORM,
        **{name: getattr(grid, name) for name in (*_AS_THEY_ARE, *_TUPLES, "to_srgb")},
        "camera": asdict(grid.camera),
        "exposure": asdict(grid.exposure),
        "boxes": [(name, cells.box) for name, cells in grid.boxes.items()],
    }
    arrays: dict[str, NDArray[Any]] = {**_halves(grid)}
    for index, cells in enumerate(grid.boxes.values()):
        arrays[f"light{index}"], arrays[f"blown{index}"] = cells.light, cells.clipped
    arrays["head"] = np.frombuffer(json.dumps(head).encode(), dtype=np.uint8)
    buffer = io.BytesIO()
    np.savez_compressed(buffer, allow_pickle=False, **arrays)
    return buffer.getvalue()


def as_kept(grid: LightGrid) -> LightGrid:
    """Return a grid with its light as bytes keep it, so that it reads the same before and after."""
    planes: dict[str, Any] = {
        name: plane.astype(np.float32) for name, plane in _halves(grid).items()
    }
    return replace(grid, **planes)


def _halves(grid: LightGrid) -> dict[str, NDArray[np.float16]]:
    return {
        name: plane.astype(np.float16)
        for name in _PLANES
        if (plane := getattr(grid, name)) is not None
    }


def picture_blob(grid: LightGrid) -> bytes:
    """Return a grid's means and clipped shares as bytes that open at once, as `to_blob` rounds."""
    buffer = io.BytesIO()
    clipped = np.round(255.0 * grid.clipped).astype(np.uint8)
    np.savez(buffer, allow_pickle=False, mean=grid.mean.astype(np.float16), clipped=clipped)
    return buffer.getvalue()


def picture_from(blob: bytes, light: LightGrid) -> LightGrid:
    """Return the grid that `picture_blob` packed, of the frame whose light is known.

    Raises
    ------
    ValueError
        If the bytes were cut.
    """
    try:
        with np.load(io.BytesIO(blob), allow_pickle=False) as held:
            mean = held["mean"].astype(np.float32)
            clipped = held["clipped"].astype(np.float32) / np.float32(255.0)
    except (zipfile.BadZipFile, KeyError, EOFError, OSError, ValueError) as error:
        msg = f"these bytes hold no picture: {error}"
        raise ValueError(msg) from error
    return light.redrawn(mean, clipped)


def from_blob(blob: bytes) -> LightGrid:
    """Return the grid that `to_blob` packed.

    Raises
    ------
    ValueError
        If the bytes are of another form or were cut.
    """
    try:
        with np.load(io.BytesIO(blob), allow_pickle=False) as held:
            arrays = dict(held)
        head = json.loads(arrays["head"].tobytes())
        if head["form"] != FORM:
            msg = f"they are of form {head['form']}, {FORM} is read"
            raise ValueError(msg)
        fields: dict[str, Any] = {
            **{name: arrays[name].astype(np.float32) for name in _PLANES if name in arrays},
            **{name: head[name] for name in _AS_THEY_ARE},
            **{name: tuple(head[name]) for name in _TUPLES},
        }
        return LightGrid(
            **fields,
            boxes={
                name: BoxCells(tuple(box), arrays[f"light{index}"], arrays[f"blown{index}"])
                for index, (name, box) in enumerate(head["boxes"])
            },
            camera=Camera(**head["camera"]),
            exposure=Exposure(**head["exposure"]),
            to_srgb=None if head["to_srgb"] is None else tuple(map(tuple, head["to_srgb"])),
        )
    except (zipfile.BadZipFile, KeyError, EOFError, OSError, ValueError, TypeError) as error:
        msg = f"these bytes hold no grid of light: {error}"
        raise ValueError(msg) from error

"""What is kept beside the light of the plan's own frames: pictures that add up, and figures."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from pydantic import TypeAdapter

from stopwise.frame import Camera, Exposure
from stopwise.grid import BoxCells, LightGrid, combine
from stopwise.ledger import content_hash
from stopwise.measurement.figures import Measurement

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from stopwise.ledger import Ledger
    from stopwise.measurement.reading import Reduced
    from stopwise.plan.model import MarkedFrame
    from stopwise.plan.now import PlanNow

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


PICTURE_ACROSS = 1200
"""Blocks along the longer side of a picture that is added up on a screen."""


def keep_picture(ledger: Ledger, sha256: str, targets: PlanNow, reduced: Reduced) -> None:
    """Keep the picture of a frame that was reduced, by its content."""
    blob = picture_blob(reduced.finer(PICTURE_ACROSS))
    ledger.solos.keep(sha256, _variant(targets), blob)


def kept_picture(
    ledger: Ledger, one: MarkedFrame, folder: Path, targets: PlanNow, light: LightGrid
) -> LightGrid | None:
    """Return one of the plan's frames, whose light is known, as fine as a screen shows it.

    None where it isn't kept. A solo out of two frames is what one shows over the other, without
    ambient.
    """
    pictures = []
    for file in one.files:
        blob = ledger.solos.get(content_hash(str((folder / file).resolve())), _variant(targets))
        if blob is None:
            return None
        pictures.append(picture_from(blob, light))
    return combine(pictures, (1.0, -1.0)[: len(pictures)])


def keep_figures(ledger: Ledger, sha256: str, made: object, figures: Measurement) -> None:
    """Keep the figures of a frame by its content; `made` is what they depend on besides."""
    ledger.solos.keep(sha256, _figures_variant(made), _figures().dump_json(figures))


def kept_figures(ledger: Ledger, sha256: str, made: object) -> Measurement | None:
    """Return a frame's figures; None where they aren't kept.

    Raises
    ------
    ValueError
        If they were kept by another version of ours.
    """
    blob = ledger.solos.get(sha256, _figures_variant(made))
    return None if blob is None else _figures().validate_json(blob)


def _figures() -> TypeAdapter[Measurement]:
    return TypeAdapter(Measurement)


def _figures_variant(made: object) -> str:
    return f"figures {hashlib.sha256(repr(made).encode()).hexdigest()}"


def _variant(targets: PlanNow) -> str:
    """Return what a frame's picture depends on besides its file."""
    return f"picture {PICTURE_ACROSS}; {targets.plan.camera!r}"

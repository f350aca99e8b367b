"""Reduced pictures as bytes and back, so that a solo is decoded once and then read from a cache."""

from __future__ import annotations

import io
import json
import zipfile
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np

from stopwise.frame import Camera, Exposure
from stopwise.lamps.reduced import LightPicture, PatchCells

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

FORM = 2
"""Number of this form; bytes of another form are refused, never guessed at."""

_GRIDS = ("mean", "tail", "clipped")


def to_blob(picture: LightPicture) -> bytes:
    """Return a picture as bytes; block light is kept to 1 part in 2000, patches in full.

    Parameters
    ----------
    picture
        Any reduced picture.
    """
    arrays: dict[str, NDArray[Any]] = {
        name: getattr(picture, name).astype(np.float16) for name in _GRIDS
    }
    for index, patch in enumerate(picture.patches.values()):
        arrays[f"light{index}"] = patch.light
        arrays[f"clipped{index}"] = patch.clipped
    buffer = io.BytesIO()
    arrays["head"] = np.frombuffer(json.dumps(_head(picture)).encode(), dtype=np.uint8)
    np.savez_compressed(buffer, allow_pickle=False, **arrays)
    return buffer.getvalue()


def from_blob(blob: bytes) -> LightPicture:
    """Return the picture that `to_blob` packed.

    Raises
    ------
    ValueError
        If the bytes are of another form or were cut.
    """
    try:
        with np.load(io.BytesIO(blob), allow_pickle=False) as arrays:
            head = json.loads(arrays["head"].tobytes())
            picture = _picture(head, arrays) if head["form"] == FORM else None
    except (zipfile.BadZipFile, KeyError, EOFError, OSError, ValueError) as error:
        msg = f"these bytes hold no reduced picture: {error}"
        raise ValueError(msg) from error
    if picture is None:
        msg = f"reduced picture of form {head['form']}, {FORM} is read"
        raise ValueError(msg)
    return picture


def _head(picture: LightPicture) -> dict[str, Any]:
    return {
        "form": FORM,
        "weights": picture.weights,
        "ceiling": picture.ceiling,
        "block": picture.block,
        "shape": picture.shape,
        "camera": asdict(picture.camera),
        "exposure": asdict(picture.exposure),
        "to_srgb": picture.to_srgb,
        "patches": [(name, patch.box) for name, patch in picture.patches.items()],
    }


def _picture(head: dict[str, Any], arrays: Mapping[str, NDArray[Any]]) -> LightPicture:
    patches = {
        name: PatchCells(tuple(box), arrays[f"light{index}"], arrays[f"clipped{index}"])
        for index, (name, box) in enumerate(head["patches"])
    }
    mean, tail, clipped = (arrays[name].astype(np.float32) for name in _GRIDS)
    return LightPicture(
        mean=mean,
        tail=tail,
        clipped=clipped,
        patches=patches,
        weights=tuple(head["weights"]),
        ceiling=tuple(head["ceiling"]),
        block=head["block"],
        shape=tuple(head["shape"]),
        camera=Camera(**head["camera"]),
        exposure=Exposure(**head["exposure"]),
        to_srgb=None if head["to_srgb"] is None else tuple(map(tuple, head["to_srgb"])),
    )

"""Stand-ins for decoding that run in a spawned process, and so stand in a module of their own."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import numpy as np

from stopwise.report.drawable import Drawable

if TYPE_CHECKING:
    from pathlib import Path


def small(path: Path, mid_grey: float | None) -> Drawable:
    """Return a picture that tells by its values what it was made from."""
    plane = np.full((4, 6), mid_grey or 0.0)
    return Drawable(np.full((4, 6, 3), len(path.name), np.uint8), plane, plane * 0, plane * 0)


def crash(path: Path, mid_grey: float | None) -> Drawable | None:
    """End the process as a decoder may."""
    os._exit(3)


def large(megabytes: int) -> bytes:
    """Return more than a pipe holds."""
    return bytes(megabytes * 1_000_000)

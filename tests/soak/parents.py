"""Whole files to begin from: every sample frame and the real camera file, made small.

A frame is reduced cell by cell, so that the plan's boxes, which are fractions of the picture, still
lie on the same things; the real file keeps its first rows.
"""

from __future__ import annotations

import shutil
import struct
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from lightmodel.colour import NEUTRAL, XYZ_TO_CAMERA
from lightmodel.dng import DngExif, DngSpec, write_dng
from stopwise.raw import decode, tags
from stopwise.raw.bounds import FileBytes
from stopwise.raw.whole import promise_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from stopwise.frame import Frame

SAMPLES = Path(__file__).resolve().parents[2] / "sample_frames"
CUT_AT = 0.4
"""Share of its bytes that F0021, the sample that was cut short, still has."""

_LENS = "LF 85 mm f/2"
_LONG = 4
_REAL_ROWS = 64


@dataclass(frozen=True, slots=True)
class Parents:
    """A folder with a plan, its own frames, and every parent.

    Attributes
    ----------
    plan_path
        The sample frames' plan, beside the reduced frames that it names.
    files
        The parents, by their names.
    """

    plan_path: Path
    files: tuple[Path, ...]


def make_parents(folder: Path, *, shrink: int, real: Path | None = None) -> Parents:
    """Write the parents into a folder.

    Parameters
    ----------
    folder
        Where to.
    shrink
        Cells of a frame that become one, along each side; 1 copies the frames as they are.
    real
        The real camera file, or None to leave it out.
    """
    files = []
    for path in sorted(SAMPLES.glob("F*.dng")):
        target = folder / path.name
        if shrink == 1:
            shutil.copyfile(path, target)
        else:
            _shrink_one(path, target, shrink)
        files.append(target)
    if real is not None:
        target = folder / "real.arw"
        target.write_bytes(first_rows(real.read_bytes(), rows=_REAL_ROWS if shrink > 1 else None))
        files.append(target)
    plan_path = folder / "plan.toml"
    shutil.copyfile(SAMPLES / "plan.toml", plan_path)
    return Parents(plan_path, tuple(files))


def _shrink_one(path: Path, target: Path, shrink: int) -> None:
    is_cut = path.name == "F0021.dng"  # on plan, but cut short
    frame = decode(SAMPLES / "F0011.dng" if is_cut else path)
    write_dng(target, reduced(frame.mosaic, shrink), spec=_spec_of(frame))
    if is_cut:
        whole = target.read_bytes()
        target.write_bytes(whole[: int(len(whole) * CUT_AT)])


def reduced(mosaic: NDArray[np.uint16], shrink: int) -> NDArray[np.uint16]:
    """Return every `shrink`-th cell of 2 x 2 of a mosaic (H, W), with its own noise."""
    height, width = (edge // 2 for edge in mosaic.shape)
    cells = mosaic[: 2 * height, : 2 * width].reshape(height, 2, width, 2)
    kept = cells[shrink // 2 :: shrink, :, shrink // 2 :: shrink, :]
    return np.ascontiguousarray(kept.reshape(2 * kept.shape[0], 2 * kept.shape[2]))


def _spec_of(frame: Frame) -> DngSpec:
    exposure, levels = frame.exposure, frame.levels
    taken = None if exposure.taken is None else datetime.fromisoformat(exposure.taken)
    return DngSpec(
        black=np.take(levels.black, frame.pattern),
        white=int(levels.white),
        bits=14,
        orientation=frame.orientation,
        color_matrix=XYZ_TO_CAMERA,
        as_shot_neutral=tuple(float(round(part, 6)) for part in NEUTRAL),
        exif=DngExif(
            iso=int(exposure.iso or 0),
            f_number=exposure.f_number,
            shutter_s=exposure.shutter_s,
            taken=taken,
            lens=_LENS,
        ),
    )


def first_rows(content: bytes, *, rows: int | None) -> bytes:
    """Return a raw file of one strip with only its first rows, its directory made to say so.

    The strip must have as many bytes in each row and lie in the file's last part, as that of the
    real file does. None keeps all rows.
    """
    if rows is None:
        return content
    tiff = promise_of(FileBytes.of(content)).tiff
    if tiff is None:
        msg = "the real file is no TIFF"
        raise ValueError(msg)
    directory = tiff.raws[0]
    height = directory.whole(tags.HEIGHT)
    ((start, length),) = directory.parts()
    kept = length // height * rows
    short = bytearray(content[: start + kept] + content[start + length :])
    for code, value in ((tags.HEIGHT, rows), (tags.ROWS_PER_STRIP, rows), (tags.STRIPS[1], kept)):
        entry = directory.entries[code]
        packed = struct.pack(directory.order + ("I" if entry.kind == _LONG else "H"), value)
        short[entry.place : entry.place + len(packed)] = packed
    return bytes(short)

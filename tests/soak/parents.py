"""Whole files to begin from: the sample frames made small, and one or more of each container.

A sample frame is reduced cell by cell, so that the plan's boxes, which are fractions of the
picture, still lie on the same things; the real lossy-compressed file keeps its first rows. Of
containers of which no real file is at hand the headers are made, from their layouts as they are
well known in public (from memory), with noise for a picture.
"""

from __future__ import annotations

import shutil
import struct
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np
import pytest
import tifffile

from lightmodel.colour import NEUTRAL, XYZ_TO_CAMERA
from lightmodel.dng import DngExif, DngSpec, write_dng
from soak.spoiling_boxes import box
from stopwise.raw import decode, tags
from stopwise.raw.bounds import FileBytes
from stopwise.raw.whole import promise_of
from support.made_raws import KINDS, PLANES, exposed, light
from support.real_files import real_mosaic, stack_of_planes, stripped_pixels

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from stopwise.frame import Frame

SAMPLES = Path(__file__).resolve().parents[2] / "sample_frames"
CUT_AT = 0.4
"""Share of its bytes that F0021, the sample that was cut short, still has."""

_MADE_SHAPE = (48, 80)
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


def make_parents(folder: Path, *, shrink: int) -> Parents:
    """Write the parents into a folder.

    Parameters
    ----------
    folder
        Where to.
    shrink
        Cells of a frame that become one, along each side; 1 copies the frames as they are.
    """
    files = []
    for path in sorted(SAMPLES.glob("F*.dng")):
        target = folder / path.name
        if shrink == 1:
            shutil.copyfile(path, target)
        else:
            _shrink_one(path, target, shrink)
        files.append(target)
    plan_path = folder / "plan.toml"
    shutil.copyfile(SAMPLES / "plan.toml", plan_path)
    return Parents(plan_path, tuple(files))


def _shrink_one(path: Path, target: Path, shrink: int) -> None:
    is_cut = path.name == "F0021.dng"  # on plan, but cut short
    frame = decode(SAMPLES / "F0011.dng" if is_cut else path)
    write_dng(target, reduced(frame.mosaic, shrink), spec=spec_of(frame))
    if is_cut:
        whole = target.read_bytes()
        target.write_bytes(whole[: int(len(whole) * CUT_AT)])


def reduced(mosaic: NDArray[np.uint16], shrink: int) -> NDArray[np.uint16]:
    """Return every `shrink`-th cell of 2 x 2 of a mosaic (H, W), with its own noise."""
    height, width = (edge // 2 for edge in mosaic.shape)
    cells = mosaic[: 2 * height, : 2 * width].reshape(height, 2, width, 2)
    kept = cells[shrink // 2 :: shrink, :, shrink // 2 :: shrink, :]
    return np.ascontiguousarray(kept.reshape(2 * kept.shape[0], 2 * kept.shape[2]))


def spec_of(frame: Frame) -> DngSpec:
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


def first_rows(content: bytes, *, rows: int) -> bytes:
    """Return a raw file of one strip with only its first rows, its directory made to say so.

    The strip must have as many bytes in each row and lie in the file's last part, as that of the
    real file does.
    """
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


# --- one of each container ------------------------------------------------------------------------


def made_containers(folder: Path) -> dict[str, bytes]:
    """Return small files of each container that is told apart, by a name with a suffix of theirs.

    Parameters
    ----------
    folder
        Where they are written meanwhile; it is left as it was.
    """
    levels = exposed(light(_MADE_SHAPE))
    noise = levels.tobytes()
    path = folder / "made.dng"
    made: dict[str, bytes] = {}
    for kind, spec in KINDS.items():
        planes = PLANES.get(kind)
        write_dng(path, np.stack([levels] * planes, axis=2) if planes else levels, spec=spec)
        made[f"{kind.replace(' ', '-')}.dng"] = path.read_bytes()
    for name, order, is_big in (("high-first", ">", False), ("long-offsets", "<", True)):
        _write_plain(path, levels, order="<" if order == "<" else ">", is_big=is_big)
        made[f"{name}.dng"] = path.read_bytes()
    path.unlink()
    block = made["high-first.dng"]
    made["boxes.cr3"] = _in_boxes(block, noise)
    made["offsets.raf"] = _behind_offsets(block, noise)
    made["sections.x3f"] = _in_sections(block, noise)
    made["heap.crw"] = _in_heap(noise)
    made["block.mrw"] = _behind_block(block, noise)
    return made


def real_containers() -> dict[str, bytes]:
    """Return the real files at hand, the lossy-compressed one with its first rows only."""
    found: dict[str, bytes] = {}
    for name, source in (
        ("real-lossy.arw", real_mosaic),
        ("real-stack.raw", stack_of_planes),
        ("real-stripped.dng", stripped_pixels),
    ):
        try:
            content = source().read_bytes()
        except pytest.skip.Exception:
            continue
        found[name] = first_rows(content, rows=_REAL_ROWS) if "lossy" in name else content
    return found


def _write_plain(
    path: Path, levels: NDArray[np.uint16], *, order: Literal["<", ">"], is_big: bool
) -> None:
    """Write an uncompressed DNG in either byte order, with offsets of 4 or 8 bytes."""
    tags = [
        (271, 2, 0, "Lumenfold", True),
        (272, 2, 0, "LF-2", True),
        (33421, 3, 2, (2, 2), True),
        (33422, 1, 4, bytes([0, 1, 1, 2]), True),
        (50706, 1, 4, bytes([1, 6, 0, 0]), True),
        (50714, 3, 1, 512, True),
        (50717, 4, 1, 16383, True),
    ]
    with tifffile.TiffWriter(path, byteorder=order, bigtiff=is_big) as file:
        file.write(levels, photometric=32803, metadata=None, software=False, extratags=tags)


def _in_boxes(block: bytes, noise: bytes) -> bytes:
    """Return a file of boxes (ISO/IEC 14496-12): Exif in one of its own, one track, its media."""
    head = box(b"ftyp", b"made" + bytes(8)) + box(b"uuid", bytes(16) + block)

    def movie(offset: int) -> bytes:
        sizes = box(b"stsz", struct.pack(">IIII", 0, 0, 1, len(noise)))
        places = box(b"co64", struct.pack(">IIQ", 0, 1, offset))
        inner = box(b"stbl", sizes + places)
        for kind in (b"minf", b"mdia", b"trak", b"moov"):
            inner = box(kind, inner)
        return inner

    at = len(head) + len(movie(0)) + 8
    return head + movie(at) + box(b"mdat", noise)


def _behind_offsets(block: bytes, noise: bytes) -> bytes:
    """Return a file whose header names places and lengths of preview, pixel header and pixels."""
    head_at, pixels_at = 160 + len(block), 160 + len(block) + 64
    places = struct.pack(">6I", 160, len(block), head_at, 64, pixels_at, len(noise))
    head = (b"LFOLDAB CCD-RAW 0201".ljust(84, b"\0") + places).ljust(160, b"\0")
    return head + block + bytes(64) + noise


def _in_sections(block: bytes, noise: bytes) -> bytes:
    """Return a file of sections whose directory stands at the very end."""
    data, sections = b"FOVb".ljust(104, b"\0"), []
    for kind, content in ((b"IMA2", block), (b"CAMF", noise[:600]), (b"IMA2", noise)):
        sections.append(struct.pack("<II4s", len(data), len(content), kind))
        data += content
    head = b"SECd" + struct.pack("<II", 0x20000, len(sections))
    return data + head + b"".join(sections) + struct.pack("<I", len(data))


def _in_heap(noise: bytes) -> bytes:
    """Return a file that is a heap, the table of its contents at the end."""
    head = b"II" + struct.pack("<I", 26) + b"HEAPCCDR" + bytes(12)
    records = struct.pack("<HII", 0x2005, len(noise), 0) + struct.pack("<HII", 0x080A, 16, 0)
    return head + noise + struct.pack("<H", 2) + records + struct.pack("<I", len(noise))


def _behind_block(block: bytes, noise: bytes) -> bytes:
    """Return a file whose first block holds the sensor's own, and one of tags."""
    rows, columns = _MADE_SHAPE
    sizes = struct.pack(">4H", rows, columns, rows, columns) + bytes([16, 16, 82, 0])
    inner = b"\0PRD" + struct.pack(">I", 24) + b"27820001" + sizes.ljust(16, b"\0")
    inner += b"\0TTW" + struct.pack(">I", len(block)) + block
    return b"\0MRM" + struct.pack(">I", len(inner)) + inner + noise

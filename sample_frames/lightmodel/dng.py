"""Write made raw files: DNGs of any mosaic, with the levels and tags a test or a scene needs.

Pure but for the one file it writes. The container is tifffile's, the lossless JPEG imagecodecs';
which tags stand where follows the DNG specification (chapters 2 and 4), TIFF/EP (ISO 12234-2) for
the colour filter array and Exif (CIPA DC-008) for the exposure. Makers and models are invented.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import imagecodecs
import numpy as np
import tifffile

from lightmodel.dng_exif import PLACE_HELD, DngExif, append_exif, as_fraction

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from numpy.typing import ArrayLike, NDArray

Pattern = tuple[str, ...]
"""Rows of one cell of the colour filter array, a letter for each photosite."""

RGGB: Pattern = ("RG", "GB")
GRBG: Pattern = ("GR", "BG")
GBRG: Pattern = ("GB", "RG")
BGGR: Pattern = ("BG", "GR")
BAYER = (RGGB, GRBG, GBRG, BGGR)
X_TRANS: Pattern = ("GGRGGB", "GGBGGR", "BRGRBG", "GGBGGR", "GGRGGB", "RBGBRG")

D50, D65 = 23, 21
"""Codes of the calibration illuminants (Exif LightSource)."""

CAMERA_MATRIX = ((0.7100, -0.2100, -0.0600), (-0.4300, 1.2100, 0.2400), (-0.0800, 0.1900, 0.5800))
"""XYZ to camera of the made camera: our own figures, shaped like those of real sensors."""

__all__ = [
    "BAYER",
    "BGGR",
    "D50",
    "D65",
    "GBRG",
    "GRBG",
    "RGGB",
    "STUDIO_EXIF",
    "X_TRANS",
    "DngExif",
    "DngSpec",
    "write_dng",
]

Rectangle = tuple[int, int, int, int]
"""Top, left, bottom, right, in stored photosites."""

_CFA_CODES = {"R": 0, "G": 1, "B": 2}
_SHORT, _LONG, _RATIONAL, _BYTE, _ASCII, _SRATIONAL = 3, 4, 5, 1, 2, 10
_CFA, _LINEAR_RAW = 32803, 34892
_JPEG = 7
_TILE_AT_MOST = 512


STUDIO_EXIF = DngExif()
"""f/11 and 1/160 at ISO 100, without a time or a lens."""


@dataclass(frozen=True, kw_only=True)
class DngSpec:
    """How a made DNG is stored and what its tags say.

    Attributes
    ----------
    pattern
        The colour filter array from the top left of the active area; None for full planes
        (LinearRaw), as many as the mosaic's last axis.
    compression
        Stored as it is (packed where `bits` is under 16) or lossless JPEG in tiles.
    bits
        BitsPerSample, 9 to 16.
    black
        One level, or a repeat pattern: shape (rows, columns) or (rows, columns, planes).
    black_delta_h, black_delta_v
        Added for each column, and row, of the active area.
    white
        One level, or one a plane; None leaves the tag out.
    linearization
        Table that maps stored codes to levels.
    active_area, masked_areas
        Visible part, and parts that no light reaches.
    orientation
        TIFF/EP tag 274.
    color_matrix, illuminant, as_shot_neutral
        ColorMatrix1 (XYZ to camera), its illuminant's code, and the camera's response to a neutral;
        None leaves a tag out.
    make, model
        Invented names.
    exif
        The exposure; None writes no Exif directory.
    preview
        uint8 (h, w, 3): stored first, with the raw picture in a sub-directory.
    """

    pattern: Pattern | None = RGGB
    compression: Literal["none", "lossless"] = "lossless"
    bits: int = 14
    black: ArrayLike = 512.0
    black_delta_h: Sequence[float] = ()
    black_delta_v: Sequence[float] = ()
    white: int | tuple[int, ...] | None = 16383
    linearization: Sequence[int] = ()
    active_area: Rectangle | None = None
    masked_areas: tuple[Rectangle, ...] = ()
    orientation: int = 1
    color_matrix: ArrayLike | None = CAMERA_MATRIX
    illuminant: int = D65
    as_shot_neutral: tuple[float, ...] | None = (0.39949, 1.06266, 0.74560)
    make: str = "Lumenfold"
    model: str = "LF-1"
    exif: DngExif | None = STUDIO_EXIF
    preview: NDArray[np.uint8] | None = None


Tag = tuple[int, int, int, Any, bool]


def write_dng(path: Path, mosaic: NDArray[np.uint16], *, spec: DngSpec) -> None:
    """Write a mosaic, or full planes, as a DNG.

    Parameters
    ----------
    path
        The file; one that is there is replaced.
    mosaic
        uint16 (h, w), or (h, w, planes), masked photosites and all, in stored codes.
    spec
        How it is stored and what the tags say.

    Raises
    ------
    ValueError
        If a level needs more than `spec.bits`, or the shape doesn't fit the pattern.
    """
    _check(mosaic, spec)
    with tifffile.TiffWriter(path, byteorder="<") as file:
        if spec.preview is not None:
            head = _directory_tags(spec)
            file.write(spec.preview, photometric="rgb", subifds=1, subfiletype=1, **_plain(head))
            _write_raw(file, mosaic, spec, _raw_tags(spec, mosaic))
        else:
            _write_raw(file, mosaic, spec, _directory_tags(spec) + _raw_tags(spec, mosaic))
    if spec.pattern is None and mosaic.ndim == 2:
        _call_linear(path)
    if spec.exif is not None:
        append_exif(path, spec.exif)


def _check(mosaic: NDArray[np.uint16], spec: DngSpec) -> None:
    if mosaic.dtype != np.uint16 or mosaic.ndim not in {2, 3}:
        got = f"{mosaic.dtype} of shape {mosaic.shape}"
        msg = f"mosaic must be uint16 of shape (h, w) or (h, w, planes), got {got}"
        raise ValueError(msg)
    if spec.pattern is not None and mosaic.ndim != 2:
        msg = f"a mosaic with a pattern has shape (h, w), got {mosaic.shape}"
        raise ValueError(msg)
    if mosaic.size and int(mosaic.max()) >> spec.bits:
        msg = f"{spec.bits} bits hold levels up to {(1 << spec.bits) - 1}, got {mosaic.max()}"
        raise ValueError(msg)


# --- pixels ---------------------------------------------------------------------------------------


def _write_raw(
    file: tifffile.TiffWriter, mosaic: NDArray[np.uint16], spec: DngSpec, tags: list[Tag]
) -> None:
    options: dict[str, Any] = _plain(tags)
    options["photometric"] = _CFA if mosaic.ndim == 2 else _LINEAR_RAW
    options["shape"], options["dtype"] = mosaic.shape, mosaic.dtype
    if mosaic.ndim == 3:
        options["planarconfig"] = "contig"
    if spec.compression == "lossless":
        tile = _tile_edge(mosaic.shape[0], 1), _tile_edge(mosaic.shape[1], 2)
        options |= {"tile": tile, "compression": _JPEG, "bitspersample": spec.bits}
        file.write(_jpeg_tiles(mosaic, tile, spec), **options)
    else:
        file.write(mosaic, rowsperstrip=mosaic.shape[0], bitspersample=spec.bits, **options)


def _plain(tags: list[Tag]) -> dict[str, Any]:
    return {"extratags": tags, "metadata": None, "software": False}


def _tile_edge(length: int, fewest: int) -> int:
    """Return the multiple of 16 (TIFF 6.0, section 15) that covers a side with little left over.

    The decoding library wraps a tile's rows at the picture's width, so a lone column of tiles that
    stands over it would come out sheared: there are two columns at least.
    """
    pieces = max(-(-length // _TILE_AT_MOST), fewest)
    return -(-length // (pieces * 16)) * 16


def _jpeg_tiles(
    mosaic: NDArray[np.uint16], tile: tuple[int, int], spec: DngSpec
) -> Iterator[bytes]:
    for top in range(0, mosaic.shape[0], tile[0]):
        for left in range(0, mosaic.shape[1], tile[1]):
            piece = mosaic[top : top + tile[0], left : left + tile[1]]
            missing = (tile[0] - piece.shape[0], tile[1] - piece.shape[1])
            margins = ((0, missing[0]), (0, missing[1]), (0, 0))[: mosaic.ndim]
            yield _jpeg(np.pad(piece, margins, mode="edge"), spec)


def _jpeg(tile: NDArray[np.uint16], spec: DngSpec) -> bytes:
    """Encode a tile so that each predictor looks at photosites of its own colour.

    A Bayer tile becomes half as many rows of two components, two stored rows side by side: left and
    above are then the same colour (the DNG specification allows such a reshaping). Predictors are
    those of ITU-T T.81, table H.1: 7 is the mean of left and above, 2 is above.
    """
    shaped, predictor = tile, 7
    if spec.pattern is not None and len(spec.pattern) == 2:
        shaped = tile.reshape(tile.shape[0] // 2, tile.shape[1], 2)
    colorspace = {3: "rgb", 4: "cmyk"}.get(shaped.shape[2]) if shaped.ndim == 3 else None
    encoded = imagecodecs.jpeg8_encode(
        np.ascontiguousarray(shaped),
        lossless=True,
        predictor=predictor,
        bitspersample=spec.bits,
        colorspace=colorspace,
        outcolorspace=colorspace,
    )
    return bytes(encoded)


def _call_linear(path: Path) -> None:
    """Name one plane LinearRaw, which tifffile writes for three planes and more only."""
    with tifffile.TiffFile(path, mode="r+") as file:
        first = file.pages.first
        raw = first.pages[0] if first.pages else first
        assert isinstance(raw, tifffile.TiffPage)  # noqa: S101 - it was written as one just above
        raw.tags["PhotometricInterpretation"].overwrite(_LINEAR_RAW)


# --- tags -----------------------------------------------------------------------------------------


def _directory_tags(spec: DngSpec) -> list[Tag]:
    """Return the tags that belong to the first directory."""
    name = f"{spec.make} {spec.model}"
    tags: list[Tag] = [
        (271, _ASCII, 0, spec.make, True),
        (272, _ASCII, 0, spec.model, True),
        (274, _SHORT, 1, spec.orientation, True),
        (50706, _BYTE, 4, bytes([1, 4, 0, 0]), True),
        (50707, _BYTE, 4, bytes([1, 1, 0, 0]), True),
        (50708, _ASCII, 0, name, True),
    ]
    if spec.color_matrix is not None:
        tags.append(_rationals(50721, _SRATIONAL, np.ravel(spec.color_matrix)))
        tags.append((50778, _SHORT, 1, spec.illuminant, True))
    if spec.as_shot_neutral is not None:
        tags.append(_rationals(50728, _RATIONAL, spec.as_shot_neutral))
    if spec.exif is not None:
        tags.append((PLACE_HELD, _LONG, 1, 0, True))
    return tags


def _raw_tags(spec: DngSpec, mosaic: NDArray[np.uint16]) -> list[Tag]:
    """Return the tags that belong to the directory of the raw picture."""
    tags: list[Tag] = []
    if spec.pattern is not None:
        codes = bytes(_CFA_CODES[letter] for row in spec.pattern for letter in row)
        tags.append((33421, _SHORT, 2, (len(spec.pattern), len(spec.pattern[0])), True))
        tags.append((33422, _BYTE, len(codes), codes, True))
    if spec.linearization:
        tags.append((50712, _SHORT, len(spec.linearization), tuple(spec.linearization), True))
    tags += _level_tags(spec, mosaic.shape[2] if mosaic.ndim == 3 else 1)
    if spec.active_area is not None:
        tags.append((50829, _LONG, 4, spec.active_area, True))
    if spec.masked_areas:
        flat = tuple(edge for area in spec.masked_areas for edge in area)
        tags.append((50830, _LONG, len(flat), flat, True))
    return tags


def _level_tags(spec: DngSpec, planes: int) -> list[Tag]:
    black = np.asarray(spec.black, dtype=np.float64)
    grid = black if black.ndim == 3 else np.repeat(np.atleast_2d(black)[..., None], planes, axis=2)
    tags: list[Tag] = [
        (50713, _SHORT, 2, grid.shape[:2], True),
        _rationals(50714, _RATIONAL, np.ravel(grid)),
    ]
    if spec.black_delta_h:
        tags.append(_rationals(50715, _SRATIONAL, spec.black_delta_h))
    if spec.black_delta_v:
        tags.append(_rationals(50716, _SRATIONAL, spec.black_delta_v))
    if spec.white is not None:
        white = spec.white if isinstance(spec.white, tuple) else (spec.white,) * planes
        tags.append((50717, _LONG, len(white), white, True))
    return tags


def _rationals(code: int, kind: int, values: ArrayLike) -> Tag:
    fractions = [as_fraction(float(value)) for value in np.ravel(np.asarray(values))]
    flat = tuple(part for pair in fractions for part in pair)
    return (code, kind, len(fractions), flat, True)

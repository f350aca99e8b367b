"""Pictures that the decoder gives without an error and that can't be trusted.

By their tags: what isn't a full raw picture of a camera, or comes out sheared or rescaled. By their
photosites: no single value, no stale or constant tail, no dead runs or blocks, for containers that
promise nothing and for copies whose missing bytes are zeros. Sensor noise makes every row differ
from the one before, so rows that repeat exactly below rows that never do are what the decoder's
buffer held last. A bottom that is clipped throughout repeats too, and is let be.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from stopwise.conditions import condition
from stopwise.errors import Unreadable
from stopwise.raw import tags
from stopwise.raw.bounds import MOST_LEVEL
from stopwise.raw.lossless import overclaimed
from stopwise.raw.whole import unwritten

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from stopwise.raw.directories import Directory, Tiff
    from stopwise.raw.libraw import Decoded
    from stopwise.raw.sensor import Sensor

_THREE_PLANES = 3  # R, G and B for each photosite: a picture that was made of a mosaic

_FEWEST_ROWS = 2  # alike at a picture's end; one may be a dead row of the sensor

_ROWS_ABOVE, _EDGE_ROWS = 32, 4
"""Rows above a tail that are looked at for repeats, and for fading out."""

_NEAR_WHITE = 0.8
"""Of white: a bottom above it everywhere is taken as clipped. Full wells spread by a few percent
(common practice); the rest is room."""

_REAL_BLACK = 16.0
"""Raw levels: a pedestal that keeps noise above 0, so that blocks of 0 are no darkness. The least
in use is 64 of 10 bits (common practice)."""

_BLOCK, _STRIDE, _MOST_BLOCKS = 64, 16, 256
"""Photosites along a dead block and between those looked at; blocks that are made sure of."""

_RUN, _STEP = 1024, 256
"""Photosites of a dead run that is surely found, and between those looked at. A disk's page of 4096
bytes holds 2048 of 16 bits; a dead column or row of a sensor reads as black, not as 0."""


def refuse_by_tags(tiff: Tiff, data: bytes, path: Path) -> None:
    """Raise, before decoding, for what the tags alone show, and the headers of parts in JPEG.

    Raises
    ------
    Unreadable
        `cut_short` where a part was never written, `damaged` where one claims more photosites than
        it can code, `reduced` for a DNG whose best raw picture is a reduced one or a lossy proxy of
        planes, `unsupported` where the decoder would rescale it, or shear it: rows of a lone column
        of coded tiles are wrapped at the picture's width.
    """
    missing = unwritten(tiff)
    if missing is not None:
        raise Unreadable(path, condition("cut_short"), missing)
    for directory in tiff.directories:
        is_jpeg = directory.whole(tags.COMPRESSION) in {tags.OLD_JPEG, tags.JPEG, tags.LOSSY_JPEG}
        claim = overclaimed(data, directory.parts()) if is_jpeg else None
        if claim is not None:
            raise Unreadable(path, condition("damaged"), claim)
    for best in tiff.raws[:1]:
        compression, width = best.whole(tags.COMPRESSION), best.whole(tags.WIDTH)
        proxy = compression == tags.LOSSY_JPEG and best.number(tags.PHOTOMETRIC) == tags.LINEAR_RAW
        if tiff.is_dng and (best.whole(tags.SUBFILE) & 1 or proxy):
            raise Unreadable(path, condition("reduced"))
        if best.number(tags.SAMPLE_FORMAT) == tags.FLOATING:
            detail = "its levels are floating-point numbers"
            raise Unreadable(path, condition("unsupported"), detail)
        if compression == tags.JPEG and 0 < width < best.whole(tags.TILE_WIDTH):
            raise Unreadable(path, condition("unsupported"), "its tiles are wider than the picture")


def refuse_by_shape(tiff: Tiff, picture: Directory | None, decoded: Decoded, path: Path) -> None:
    """Raise, after decoding, for what isn't the picture that the tags name.

    Parameters
    ----------
    tiff, picture
        The file's directories, and the one that has the decoded picture's shape, if one has.
    decoded, path
        The picture, and its file.

    Raises
    ------
    Unreadable
        `not_raw` for a plain grey TIFF. `reduced` for a maker's own TIFF with three planes, which
        is a small raw in luminance and colour difference. Of a DNG `unsupported` where no directory
        has the picture's shape, and `damaged` where its parts don't cover it: of photosites that no
        part holds the decoder gives what its memory held before, which may be another frame.
    """
    if tiff.is_dng:
        if picture is None:
            detail = "no directory names a picture of its size"
            raise Unreadable(path, condition("unsupported"), detail)
        parts, places = len(picture.parts()), picture.places()
        if parts < places:
            detail = f"{parts} of the {places} parts of its picture are named"
            raise Unreadable(path, condition("damaged"), detail)
        return
    if not tiff.raws and not any(tags.MAKER_NOTE in directory for directory in tiff.directories):
        raise Unreadable(path, condition("not_raw"))
    if decoded.pattern is None and decoded.mosaic.shape[2] == _THREE_PLANES:
        raise Unreadable(path, condition("reduced"))


def refuse_by_levels(mosaic: NDArray[np.uint16], sensor: Sensor, path: Path) -> None:
    """Raise for a picture that wasn't filled, or that its levels can't turn to light.

    Parameters
    ----------
    mosaic
        uint16 (H, W) or (H, W, planes), raw levels.
    sensor
        What the file says of it.
    path
        Of the file, for the error.

    Raises
    ------
    Unreadable
        `one_value` or `damaged`.
    """
    levels = sensor.levels
    low, high = min(levels.black), min(levels.anchor)
    if _holds_one_value(mosaic):
        raise Unreadable(path, condition("one_value"))
    fault = unfilled(mosaic, period=sensor.cell.pattern.shape[0], black=low, white=high)
    if any(white <= black for black, white in zip(levels.black, levels.anchor, strict=True)):
        fault = f"it names white {high:g} at or under black {max(levels.black):g}"
    elif levels.white > MOST_LEVEL:
        fault = f"it names white {levels.white:.0f}"
    if fault is not None:
        raise Unreadable(path, condition("damaged"), fault)


def unfilled(mosaic: NDArray[np.uint16], *, period: int, black: float, white: float) -> str | None:
    """Say which part of a decoded picture was never filled.

    Parameters
    ----------
    mosaic
        uint16 (H, W) or (H, W, planes), raw levels.
    period
        Rows after which the colour filter array repeats.
    black, white
        Lowest black and white, raw levels.

    Returns
    -------
    str or None
        A part of a sentence, or None where the picture is filled.
    """
    height, tail = mosaic.shape[0], 0
    while tail < height - 1 and _repeats(mosaic, height - 1 - tail, period):
        tail += 1
    if tail >= _FEWEST_ROWS:
        bottom = height - tail
        clipped = mosaic[bottom:].min() >= _NEAR_WHITE * white or _fades_out(mosaic, bottom, black)
        # a picture drawn without noise repeats rows everywhere, so that its bottom tells nothing
        rows = range(max(bottom - _ROWS_ABOVE, 0) + 1, bottom)
        if not clipped and 2 * sum(_repeats(mosaic, row, period) for row in rows) <= len(rows):
            return f"its last {tail} rows repeat the one above"
    if black >= _REAL_BLACK and (_has_dead_run(mosaic) or _has_dead_block(mosaic)):
        return "a part of it holds zeros, under its black"
    return None


def _holds_one_value(mosaic: NDArray[np.uint16]) -> bool:
    first = mosaic.flat[0]
    ends = np.any(mosaic[0] != first) or np.any(mosaic[-1] != first)
    return not (ends or np.any(mosaic != first))


def _repeats(mosaic: NDArray[np.uint16], row: int, period: int) -> bool:
    here = mosaic[row]
    return any(row >= step and np.array_equal(here, mosaic[row - step]) for step in {1, 2, period})


def _fades_out(mosaic: NDArray[np.uint16], bottom: int, black: float) -> bool:
    """Whether a camera without a pedestal clips ever more of the dark to zero down to the tail."""
    above = mosaic[max(bottom - _EDGE_ROWS - 2, 0) :][:_EDGE_ROWS]
    return black < _REAL_BLACK and not np.any(mosaic[-1]) and float(np.mean(above == 0)) > 0.5


def _has_dead_run(mosaic: NDArray[np.uint16]) -> bool:
    """Whether so many photosites in the order of a file hold nothing but zeros, as a hole does."""
    sparse = np.flatnonzero(mosaic.flat[::_STEP] == 0)
    long = _RUN // _STEP - 1
    starts = sparse[:-long][sparse[long:] - sparse[:-long] == long] * _STEP
    return any(not np.any(mosaic.flat[start : start + long * _STEP]) for start in starts.tolist())


def _has_dead_block(mosaic: NDArray[np.uint16]) -> bool:
    """Whether a block of 64 x 64 holds nothing but zeros, found on a sparse grid and made sure."""
    flat = mosaic if mosaic.ndim == 2 else mosaic.max(axis=2)
    sparse = flat[_STRIDE // 2 :: _STRIDE, _STRIDE // 2 :: _STRIDE] == 0
    points = _BLOCK // _STRIDE
    if min(sparse.shape) < points or not np.any(sparse):
        return False
    windows = np.lib.stride_tricks.sliding_window_view(sparse, (points, points))
    corners = _STRIDE * np.argwhere(windows.all(axis=(2, 3)))[:_MOST_BLOCKS]
    return any(
        not np.any(flat[top : top + _BLOCK, left : left + _BLOCK]) for top, left in corners.tolist()
    )

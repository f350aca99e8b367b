"""The made raw files hold what was put in: two other decoders read the same pixels from them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import imagecodecs
import numpy as np
import pytest
import tifffile

from lightmodel.dng import BAYER, DngSpec, write_dng
from support.made_raws import KINDS, levels_for, write_kind

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray


@pytest.mark.parametrize("kind", KINDS)
def test_tifffile_reads_the_levels_that_were_written(tmp_path: Path, kind: str) -> None:
    written = write_kind(tmp_path / "a.dng", kind)

    with tifffile.TiffFile(tmp_path / "a.dng") as file:
        pages = [file.pages.first, *(file.pages.first.pages or ())]
        page = next(page for page in pages if int(page.photometric) in {32803, 34892})
        read = page.asarray()

    assert np.array_equal(read.reshape(written.shape), written)


def test_tags_have_the_codes_of_the_dng_specification(tmp_path: Path) -> None:
    """TIFF/EP (ISO 12234-2) for 33421 and 33422, DNG specification for the rest."""
    spec = DngSpec(
        pattern=("GB", "RG"),
        black=((512, 514), (516, 520)),
        black_delta_h=[0.5] * 32,
        active_area=(0, 0, 32, 32),
        masked_areas=((0, 0, 2, 32),),
    )
    write_dng(tmp_path / "a.dng", np.full((32, 32), 900, np.uint16), spec=spec)

    with tifffile.TiffFile(tmp_path / "a.dng") as file:
        tags = {code: file.pages.first.tags[code].value for code in (33421, 33422, 50713, 50714)}
        more = {code: file.pages.first.tags[code].value for code in (50717, 50829, 50830, 50778)}
        is_dng = file.is_dng

    assert is_dng
    assert tags == {
        33421: (2, 2),
        33422: bytes([1, 2, 0, 1]),
        50713: (2, 2),
        50714: (512, 1, 514, 1, 516, 1, 520, 1),
    }
    assert more == {50717: 16383, 50829: (0, 0, 32, 32), 50830: (0, 0, 2, 32), 50778: 21}


def segment(path: Path) -> bytes:
    """Return the first coded tile of a made file."""
    with tifffile.TiffFile(path) as file:
        page = file.pages.first
        return path.read_bytes()[page.dataoffsets[0] :][: page.databytecounts[0]]


@pytest.mark.parametrize("pattern", BAYER)
def test_two_lossless_jpeg_decoders_agree_on_a_tile(
    tmp_path: Path, pattern: tuple[str, ...]
) -> None:
    """ITU-T T.81: lossless process, marker SOF3; decoded by two libraries of other origin."""
    levels = levels_for("rggb lossless", (64, 96))
    write_dng(tmp_path / "a.dng", levels, spec=DngSpec(pattern=pattern))
    coded = segment(tmp_path / "a.dng")

    one, other = imagecodecs.ljpeg_decode(coded), imagecodecs.jpeg8_decode(coded)

    assert b"\xff\xc3" in coded
    assert np.array_equal(np.ravel(one), np.ravel(levels[:, :48]))
    assert np.array_equal(np.ravel(other), np.ravel(levels[:, :48]))


def predicted(a: int, b: int, c: int, selection: int) -> int:
    """Return the predictor of ITU-T T.81, table H.1, of left a, above b, above left c."""
    return (
        a,
        b,
        c,
        a + b - c,
        a + ((b - c) >> 1),
        b + ((a - c) >> 1),
        (a + b) >> 1,
    )[selection - 1]


def residuals(levels: NDArray[np.uint16]) -> NDArray[np.int64]:
    """Return what predictor 7 leaves of each component, first row and column as T.81 H.1.2.1."""
    left = np.zeros(levels.shape, np.int64)
    for row, column in np.ndindex(levels.shape[:2]):
        for part in range(levels.shape[2]):
            a = int(levels[row, column - 1, part]) if column else 0
            b = int(levels[row - 1, column, part]) if row else 0
            guess = predicted(a, b, 0, 7) if row and column else (a if column else b)
            guess = guess if row or column else 1 << 13
            left[row, column, part] = int(levels[row, column, part]) - guess
    return left


def test_tiles_are_coded_with_predictor_7_between_photosites_of_one_colour(tmp_path: Path) -> None:
    """A ramp in each colour leaves residuals near 0 only if left and above are the same colour."""
    rows, columns = np.mgrid[0:16, 0:16]
    levels = (2000 + 4000 * ((rows + columns) % 2) + 3 * rows + 5 * columns).astype(np.uint16)
    write_dng(tmp_path / "a.dng", levels, spec=DngSpec())
    coded = segment(tmp_path / "a.dng")
    start = coded.index(b"\xff\xda")

    selection = coded[start + 4 + 2 * coded[start + 4] + 1]
    inner = residuals(levels.reshape(8, 16, 2))[1:, 1:]

    assert selection == 7
    assert np.abs(np.delete(inner, 7, axis=1)).max() < 20


def test_levels_beyond_the_bits_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="12 bits hold levels up to 4095, got 5000"):
        write_dng(tmp_path / "a.dng", np.full((8, 8), 5000, np.uint16), spec=DngSpec(bits=12))

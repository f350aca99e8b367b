"""A lossless JPEG must use up its code: whole files do, and damaged ones that decode don't."""

from __future__ import annotations

import re
from contextlib import suppress
from random import Random
from typing import TYPE_CHECKING

import imagecodecs
import numpy as np
import pytest
import tifffile

from lightmodel.dng import BAYER, DngSpec, write_dng
from stopwise.errors import Unreadable
from stopwise.raw import bounds, decode
from stopwise.raw.bounds import FileBytes
from stopwise.raw.lossless import (
    Coded,
    Tiling,
    bits_of,
    differences_of,
    disagreement,
    followed_bits,
    read_coded,
    tiling_of,
    uses_up,
)
from stopwise.raw.whole import promise_of

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray


def noisy(shape: tuple[int, ...], *, seed: int, spread: float = 60.0) -> NDArray[np.uint16]:
    """Return levels about a ramp."""
    chance = np.random.default_rng(seed)
    ramp = np.linspace(600, 9000, shape[1])
    ramp = ramp[None, :, None] if len(shape) == 3 else ramp[None, :]
    return np.clip(chance.normal(ramp, spread, shape), 0, 16383).astype(np.uint16)


@pytest.mark.parametrize("components", [1, 2, 3])
@pytest.mark.parametrize("predictor", range(1, 8))
def test_samples_need_as_many_bits_as_an_independent_encoder_wrote(
    predictor: int, components: int
) -> None:
    """The encoder is that of imagecodecs (libjpeg-turbo), a general-purpose library."""
    samples = noisy((24, 40, components), seed=predictor)
    samples[5, 7], samples[9, 3] = 0, 16383
    data = imagecodecs.jpeg8_encode(
        samples[..., 0] if components == 1 else samples,
        lossless=True,
        predictor=predictor,
        bitspersample=14,
        colorspace="rgb" if components == 3 else None,
        outcolorspace="rgb" if components == 3 else None,
    )
    coded = read_coded(bytes(data))
    assert coded is not None
    assert (coded.shape, coded.bits, coded.predictor) == (samples.shape, 14, predictor)
    needed = bits_of(samples, coded)
    there = 8 * (len(coded.code) - coded.code.count(b"\xff\x00"))
    assert 0 <= there - needed < 8
    assert uses_up(coded.code, needed)
    assert followed_bits(coded) == needed
    some = bits_of(samples[:10], coded)
    assert followed_bits(coded, known=10 * 40 * components, bits=some) == needed


def test_what_is_left_over_is_told_from_padding() -> None:
    code = bytes([0x5A, 0xFF, 0x00, 0x31])  # three bytes, one of them stuffed
    assert uses_up(code, 24)
    assert uses_up(code, 17)
    assert not uses_up(code, 25)
    assert not uses_up(code, 8)
    assert uses_up(bytes([0x5A, 0, 0, 0]), 8)


@pytest.mark.parametrize("category", [3, 16, 17, 255])
def test_a_table_of_categories_that_there_are_not_uses_up_no_code(category: int) -> None:
    """No difference has more than 16 bits (T.81, table H.2); each here is in one category."""
    codes = (bytes([2, *[0] * 15]), bytes([category, category]))
    coded = Coded((8, 8, 1), 14, 1, (codes,), bytes(range(1, 31)))
    assert not uses_up(coded.code, followed_bits(coded))


@pytest.mark.parametrize("pattern", [*BAYER, None])
@pytest.mark.parametrize("shape", [(64, 96), (90, 130), (1030, 40)])
def test_whole_files_pass_with_and_without_margins(
    tmp_path: Path, shape: tuple[int, int], pattern: tuple[str, ...] | None
) -> None:
    levels = noisy(shape, seed=sum(shape))
    if pattern is None:
        levels = np.repeat(levels[..., None], 3, axis=2)
    write_dng(tmp_path / "a.dng", levels, spec=DngSpec(pattern=pattern))
    assert np.array_equal(decode(tmp_path / "a.dng").mosaic, levels)


def differing(written: NDArray[np.uint16], read: NDArray[np.uint16]) -> int:
    """Return how many differences from the prediction are others, over tiles of 48 x 64."""
    count = 0
    for left in (0, 48):
        tiles = [levels[:, left : left + 48].reshape(32, 48, 2) for levels in (written, read)]
        for component in (0, 1):
            one, other = (differences_of(tile[..., component], 7, 14) for tile in tiles)
            count += int(np.count_nonzero(one != other))
    return count


def test_damaged_code_that_decodes_is_found_where_photosites_change_places(tmp_path: Path) -> None:
    """A stretch of one to 64 random bytes: what passes is local.

    All differences but those of the stretch (512 bits at most, and some until the code is found
    again) are the ones that were written.
    """
    path, chance = tmp_path / "a.dng", Random(8)
    levels = noisy((64, 96), seed=3)
    write_dng(path, levels, spec=DngSpec())
    whole = path.read_bytes()
    first = whole.index(b"\xff\xda") + 14
    passed = []
    for _ in range(300):
        length = chance.randrange(1, 65)
        start = chance.randrange(first, len(whole) - length)
        path.write_bytes(whole[:start] + chance.randbytes(length) + whole[start + length :])
        with suppress(Unreadable):
            passed.append(differing(levels, decode(path).mosaic))
    assert max(passed) <= 128
    assert len(passed) <= 120


def test_parts_that_need_no_following_are_checked_though_others_are_let_be(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nine tiles; those at the right have a margin, which takes time to follow."""
    monkeypatch.setattr(bounds, "MOST_FOLLOWED", 0)
    path = tmp_path / "a.dng"
    levels = noisy((1040, 1080), seed=5)
    write_dng(path, levels, spec=DngSpec())
    assert np.array_equal(decode(path).mosaic, levels)
    whole = path.read_bytes()
    fifth = [one.start() for one in re.finditer(b"\xff\xd8\xff\xc3", whole)][4] + 5000
    assert "5 of its picture doesn't end" in said_of(path, whole, fifth, count=12)


def said_of(path: Path, whole: bytes, first: int, *, count: int) -> str:
    """Put 40 random bytes in the place of others, time and again; return what is said of parts."""
    said = []
    for turn in range(count):
        other = Random(turn).randbytes(40)
        path.write_bytes(whole[:first] + other + whole[first + len(other) :])
        try:
            decode(path)
        except Unreadable as error:
            said.append(str(error).partition("part ")[2])
    return "\n".join(said)


def test_the_part_that_is_damaged_is_named(tmp_path: Path) -> None:
    path = tmp_path / "a.dng"
    write_dng(path, noisy((64, 96), seed=4, spread=8.0), spec=DngSpec())
    whole = path.read_bytes()
    second = whole.index(b"\xff\xd8", whole.index(b"\xff\xd9")) + 400
    said = said_of(path, whole, second, count=20).split("\n")
    assert any(words.startswith("2 of its picture doesn't end") for words in said), said


@pytest.fixture
def maker_s(tmp_path: Path) -> tuple[NDArray[np.uint16], bytes, Tiling]:
    """Return a picture of 16 tiles as a container holds it whose order isn't published."""
    path, levels = tmp_path / "a.dng", noisy((2048, 2048), seed=6)
    write_dng(path, levels, spec=DngSpec())
    data = path.read_bytes()
    tiff = promise_of(FileBytes.of(data)).tiff
    assert tiff is not None
    tiling = tiling_of(tiff, levels.shape)
    assert tiling is not None
    assert tiling.sure
    assert len(tiling.parts) == 16
    return levels, data, tiling._replace(sure=False)


def test_in_a_maker_s_container_parts_that_begin_as_they_should_and_end_elsewhere_are_damaged(
    maker_s: tuple[NDArray[np.uint16], bytes, Tiling],
) -> None:
    levels, data, tiling = maker_s
    wrong = levels.copy()
    wrong[600:900, 700:900] += 40  # in the sixth tile
    single = tiling._replace(parts=tiling.parts[:1], rows=512, columns=512)
    alone, damaged = levels[:512, :512], levels[:512, :512].copy()
    damaged[200:] += np.arange(512, dtype=np.uint16) % 7

    assert disagreement(levels, data, tiling) is None
    assert "part 6 of its picture" in (disagreement(wrong, data, tiling) or "")
    assert disagreement(alone, data, single) is None
    assert "part 1 of its picture" in (disagreement(damaged, data, single) or "")


def test_of_a_picture_in_another_order_nothing_is_said(
    maker_s: tuple[NDArray[np.uint16], bytes, Tiling],
) -> None:
    """Rows two by two, of which a camera makes one; and a picture of one part."""
    levels, data, tiling = maker_s
    other = levels.reshape(1024, 2, 2048).transpose(0, 2, 1).reshape(2048, 2048)
    single = tiling._replace(parts=tiling.parts[:1], rows=512, columns=512)

    assert disagreement(other, data, tiling) is None
    assert disagreement(levels[1000:1512, 1000:1512], data, single) is None


def test_a_part_without_an_end_of_its_own_tells_nothing_in_a_maker_s_container(
    maker_s: tuple[NDArray[np.uint16], bytes, Tiling],
) -> None:
    """Behind its code may stand what the maker put there."""
    levels, data, tiling = maker_s
    place, length = tiling.parts[0]
    padded = data[place : place + length - 2] + b"\x5a" * 40
    single = tiling._replace(parts=((0, len(padded)),), rows=512, columns=512)

    assert disagreement(levels[:512, :512], padded, single) is None
    assert disagreement(levels[:512, :512], padded, single._replace(sure=True)) is not None


def write_sliced(path: Path, levels: NDArray[np.uint16], *, named: bool = True) -> None:
    """Write a maker's TIFF of one strip that holds slices of 64, 64 and 96 columns in turn."""
    slices = levels[:, :64], levels[:, 64:128], levels[:, 128:]
    in_order = np.concatenate([part.ravel() for part in slices])
    coded = imagecodecs.jpeg8_encode(
        in_order.reshape(len(levels), 112, 2), lossless=True, predictor=1, bitspersample=14
    )
    extra = [
        (271, 2, 0, "Lumenfold", True),
        (33421, 3, 2, (2, 2), True),
        (33422, 1, 4, bytes([0, 1, 1, 2]), True),
        (50752 if named else 50753, 3, 3, (2, 64, 96), True),
    ]
    tifffile.imwrite(
        path,
        iter([bytes(coded)]),
        shape=levels.shape,
        dtype=np.uint16,
        byteorder="<",
        photometric=32803,
        compression=7,
        rowsperstrip=len(levels),
        bitspersample=14,
        metadata=None,
        software=False,
        extratags=extra,
    )


def test_slices_lie_in_a_part_one_after_another_and_damage_in_them_is_found(
    tmp_path: Path,
) -> None:
    """The order is the one in which the decoding library reads such a file.

    Of 40 damaged ones it refuses 13 by itself and gives other photosites for 27.
    """
    path, levels, told = tmp_path / "a.raw", noisy((128, 224), seed=9), 0
    write_sliced(path, levels)
    assert np.array_equal(decode(path).mosaic, levels)
    whole = path.read_bytes()
    first = whole.index(b"\xff\xda")
    for turn in range(40):
        start = first + (len(whole) - first) // 2 + turn
        path.write_bytes(whole[:start] + Random(turn).randbytes(40) + whole[start + 40 :])
        try:
            assert not np.array_equal(decode(path).mosaic, levels)
        except Unreadable as error:
            told += error.detail == "part 1 of its picture doesn't end where its code does"
    assert told >= 5


def test_slices_that_no_tag_names_are_another_order(tmp_path: Path) -> None:
    path, levels = tmp_path / "a.raw", noisy((128, 224), seed=9)
    write_sliced(path, levels, named=False)
    assert decode(path).mosaic.shape == levels.shape


def test_flat_parts_don_t_tell_an_order(
    maker_s: tuple[NDArray[np.uint16], bytes, Tiling], tmp_path: Path
) -> None:
    """A clipped ground agrees in any order, so that a frame with one isn't called damaged."""
    levels, _, tiling = maker_s
    levels[:, :1536] = 16383
    write_dng(tmp_path / "b.dng", levels, spec=DngSpec())
    data = (tmp_path / "b.dng").read_bytes()
    tiff = promise_of(FileBytes.of(data)).tiff
    assert tiff is not None
    parts = tuple(tiff.raws[0].parts())
    other = levels.copy()
    other[:, 1536:] = levels[:, 1536:].reshape(1024, 2, 512).transpose(0, 2, 1).reshape(2048, 512)

    assert disagreement(other, data, tiling._replace(parts=parts)) is None

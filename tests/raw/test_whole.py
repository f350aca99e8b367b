"""A file that isn't whole never gives a frame: cuts, holes, and directories that lie."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lightmodel.dng import DngSpec, write_dng
from stopwise.errors import Unreadable
from stopwise.raw import declared_end, decode
from stopwise.raw.refusals import unfilled
from support.made_raws import BLACK, KINDS, WHITE, exposed, levels_for, light, write_kind

if TYPE_CHECKING:
    from pathlib import Path

SECTOR = 512
"""Holes in half-copied files are whole sectors of the disk."""

SHARES = (0.01, 0.1, 0.5, 0.9, 0.99, 0.999)


def condition_of(path: Path) -> str:
    with pytest.raises(Unreadable, match=r".") as caught:
        decode(path)
    return caught.value.condition.name


# --- cuts and holes -------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_a_whole_file_promises_what_it_has(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "a.dng"
    write_kind(path, kind)

    end = declared_end(path)

    assert end is not None
    assert path.stat().st_size - 2 <= end <= path.stat().st_size


@pytest.mark.parametrize("share", SHARES)
@pytest.mark.parametrize("kind", KINDS)
def test_a_cut_file_is_called_short_at_every_length(
    tmp_path: Path, kind: str, share: float
) -> None:
    path = tmp_path / "a.dng"
    write_kind(path, kind)
    whole = path.read_bytes()
    path.write_bytes(whole[: int(share * len(whole))])

    assert (declared_end(path) or 0) > path.stat().st_size
    assert condition_of(path) == "cut_short"


@pytest.mark.parametrize("share", SHARES)
@pytest.mark.parametrize("kind", KINDS)
def test_a_file_of_full_length_whose_end_is_still_zeros_gives_no_frame(
    tmp_path: Path, kind: str, share: float
) -> None:
    """A copy that sets the length first, as network shares do, looks whole by its size."""
    path = tmp_path / "a.dng"
    write_kind(path, kind)
    whole = path.read_bytes()
    kept = int(share * len(whole)) // SECTOR * SECTOR
    path.write_bytes(whole[:kept] + bytes(len(whole) - kept))

    assert condition_of(path) in {"cut_short", "damaged", "one_value"}


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(share=st.floats(0, 1, exclude_max=True), kind=st.sampled_from(sorted(KINDS)))
def test_no_length_under_the_promise_gives_a_frame(tmp_path: Path, share: float, kind: str) -> None:
    path = tmp_path / "a.dng"
    write_kind(path, kind)
    promised = declared_end(path)
    assert promised is not None
    kept = int(share * promised)
    path.write_bytes(path.read_bytes()[:kept])

    assert condition_of(path) == ("cut_short" if kept >= 4 else "not_raw" if kept else "empty")


@settings(
    max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(share=st.floats(0, 1), kind=st.sampled_from(sorted(KINDS)))
def test_zeros_from_any_byte_on_give_no_frame_or_the_same_pixels(
    tmp_path: Path, share: float, kind: str
) -> None:
    """Where only the Exif text at the very end is zeros the picture is still whole."""
    path = tmp_path / "a.dng"
    written = write_kind(path, kind)
    whole = path.read_bytes()
    kept = max(int(share * len(whole)), 4)  # enough to tell that it is TIFF-like
    path.write_bytes(whole[:kept] + bytes(len(whole) - kept))

    try:
        mosaic = decode(path).mosaic
    except Unreadable as error:
        assert error.condition.name in {"cut_short", "damaged", "one_value"}  # noqa: PT017
    else:
        assert np.array_equal(mosaic, written)


# --- directories that lie -------------------------------------------------------------------------


def tiff(entries: list[tuple[int, int, int, int]], *, following: int = 0, pad: int = 0) -> bytes:
    """Return a TIFF of one directory at 8: (code, type, count, value), then `pad` bytes."""
    body = b"".join(struct.pack("<HHII", *entry) for entry in entries)
    head = struct.pack("<4sIH", b"II*\0", 8, len(entries))
    return head + body + struct.pack("<I", following) + b"x" * pad


@pytest.mark.parametrize(
    ("entries", "following", "wanted"),
    [
        ([(273, 4, 1, 500), (279, 4, 1, 400)], 0, 900),
        ([(324, 4, 1, 500), (325, 4, 1, 41)], 0, 541),
        ([(513, 4, 1, 600), (514, 4, 1, 7)], 0, 607),
        ([(34665, 4, 1, 700)], 0, 702),
        ([(330, 4, 1, 800)], 0, 806),
        ([(50740, 1, 4, 900)], 0, 902),
        ([(271, 2, 20, 1000)], 0, 1020),
        ([(271, 2, 3, 0)], 2000, 2006),
        ([(271, 2, 3, 0)], 8, 26),
    ],
    ids=["strip", "tile", "preview", "exif", "sub", "private", "value", "next", "loop"],
)
def test_each_thing_that_a_directory_names_counts_towards_the_promise(
    tmp_path: Path, entries: list[tuple[int, int, int, int]], following: int, wanted: int
) -> None:
    """TIFF 6.0, section 2: a directory is a count of 2 bytes, 12 an entry, and 4 for the next."""
    path = tmp_path / "a.dng"
    path.write_bytes(tiff(entries, following=following, pad=4))

    assert declared_end(path) == max(wanted, 8 + 2 + 12 * len(entries) + 4)


@pytest.mark.parametrize(
    "data",
    [
        tiff([(330, 4, 1, 8)], following=8, pad=60),
        struct.pack("<4sIH", b"II*\0", 8, 65535) + bytes(900_000),
        tiff([(273, 4, 0xFFFFFFFF, 8), (279, 4, 0xFFFFFFFF, 8)], pad=60),
        b"II*\0" + struct.pack("<I", 0xFFFFFFFF),
        struct.pack("<4sHHQ", b"II+\0", 8, 0, 0xFFFFFFFFFFFFFFFF),
        b"II*\0"
        + struct.pack("<I", 8)
        + b"".join(
            struct.pack("<HHHIII", 1, 330, 4, 1, 8, at + 18) for at in range(8, 8 + 400 * 18, 18)
        ),
    ],
    ids=["loop", "long", "many values", "far", "bigtiff far", "chain of directories"],
)
def test_hostile_directories_end_soon_and_give_no_frame(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "a.dng"
    path.write_bytes(data)

    declared_end(path)

    assert condition_of(path) in {"damaged", "cut_short", "not_raw"}


# --- other containers -----------------------------------------------------------------------------


def box(kind: bytes, content: bytes = b"") -> bytes:
    """Return a box of ISO/IEC 14496-12: size, kind, content."""
    return struct.pack(">I4s", 8 + len(content), kind) + content


def movie(offset: int, length: int) -> bytes:
    sizes = box(b"stsz", struct.pack(">IIII", 0, 0, 1, length))
    places = box(b"co64", struct.pack(">IIQ", 0, 1, offset))
    return box(b"moov", box(b"trak", box(b"mdia", box(b"minf", box(b"stbl", sizes + places)))))


FTYP = box(b"ftyp", b"made" + bytes(8))


@pytest.mark.parametrize(
    ("data", "wanted"),
    [
        (FTYP + movie(700, 50) + box(b"mdat", bytes(100)), 750),
        (FTYP + movie(0, 1) + struct.pack(">I4s", 5000, b"mdat") + bytes(9), 20 + 164 + 5000 - 24),
        (FTYP + struct.pack(">I4sQ", 1, b"mdat", 1 << 40) + bytes(9), 20 + (1 << 40)),
        (FTYP + struct.pack(">I4s", 0, b"mdat") + bytes(90), 20 + 98),
        (FTYP + box(b"mdat", bytes(20)) + b"\0\0", 20 + 28 + 8),
        (b"MADE-IMGCCD-RAW " + bytes(68) + struct.pack(">6I", 148, 20, 200, 30, 300, 4000), 4300),
        (
            b"\0MRM"
            + struct.pack(">I", 64)
            + b"\0PRD"
            + struct.pack(">I", 24)
            + bytes(8)
            + struct.pack(">HHHHBBB", 100, 200, 100, 200, 12, 12, 89)
            + bytes(40),
            72 + 30_000,
        ),
    ],
    ids=["sample", "media", "long media", "media to the end", "broken head", "offsets", "block"],
)
def test_other_containers_promise_by_boxes_and_headers(
    tmp_path: Path, data: bytes, wanted: int
) -> None:
    """ISO/IEC 14496-12 for boxes; the other layouts are well known in public (from memory)."""
    path = tmp_path / "a.raw"
    path.write_bytes(data)
    if b"moov" in data and wanted > 1000:
        wanted = data.index(b"mdat") - 4 + 5000

    assert declared_end(path) == wanted


def test_boxes_without_media_promise_more(tmp_path: Path) -> None:
    path = tmp_path / "a.raw"
    path.write_bytes(FTYP + movie(0, 1))

    assert (declared_end(path) or 0) > path.stat().st_size


SECTIONS = b"FOVb" + bytes(200)
SECTIONS += b"SECd" + struct.pack("<II", 0, 1) + struct.pack("<II4s", 4, 200, b"IMA2")
SECTIONS += struct.pack("<I", 204)
HEAP = b"II" + struct.pack("<I", 26) + b"HEAPCCDR" + bytes(12) + bytes(50)
HEAP += struct.pack("<H", 1) + bytes(10) + struct.pack("<I", 50)


@pytest.mark.parametrize("data", [SECTIONS, HEAP], ids=["sections", "heap"])
def test_containers_with_their_directory_at_the_end_are_whole_only_with_it(
    tmp_path: Path, data: bytes
) -> None:
    path = tmp_path / "a.raw"
    path.write_bytes(data)
    assert declared_end(path) == len(data)

    for kept in range(40, len(data)):
        path.write_bytes(data[:kept])
        assert (declared_end(path) or 0) > kept


@settings(
    max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    head=st.sampled_from(
        [b"II*\0", b"MM\0*", b"II+\0\x08\0\0\0", b"IIU\0", FTYP, b"FOVb", b"\0MRM", HEAP[:14]]
    ),
    rest=st.binary(max_size=400),
)
def test_any_bytes_get_an_answer(tmp_path: Path, head: bytes, rest: bytes) -> None:
    path = tmp_path / "a.raw"
    path.write_bytes(head + rest)

    end = declared_end(path)

    assert end is None or end >= 0
    assert condition_of(path) != "decoder_failed"


def test_an_unknown_container_promises_nothing(tmp_path: Path) -> None:
    path = tmp_path / "a.raw"
    path.write_bytes(b"something else" * 9)

    assert declared_end(path) is None


# --- the picture is filled ------------------------------------------------------------------------


def made(rows: int = 200, columns: int = 240) -> np.ndarray[tuple[int, int], np.dtype[np.uint16]]:
    return exposed(light((rows, columns)))


def filled(mosaic: np.ndarray) -> str | None:  # type: ignore[type-arg]
    return unfilled(mosaic, period=2, black=BLACK, white=WHITE)


@pytest.mark.parametrize("tail", [3, 20, 150])
@pytest.mark.parametrize("step", [1, 2])
def test_rows_that_repeat_the_last_good_one_are_found(tail: int, step: int) -> None:
    mosaic = made()
    for row in range(200 - tail, 200):
        mosaic[row] = mosaic[row - step]

    assert filled(mosaic) == f"its last {tail} rows repeat the one above"


def test_a_constant_tail_is_found() -> None:
    mosaic = made()
    mosaic[150:] = 700

    assert "repeat the one above" in (filled(mosaic) or "")


def test_a_corner_of_zeros_is_found() -> None:
    mosaic = made()
    mosaic[110:, 100:] = 0

    assert filled(mosaic) == "a part of it holds zeros, under its black"


def test_noisy_pictures_are_filled() -> None:
    assert filled(made()) is None


def test_a_bottom_that_is_clipped_throughout_is_let_be() -> None:
    mosaic = made()
    mosaic[120:] = WHITE

    assert filled(mosaic) is None


def test_a_picture_drawn_without_noise_is_let_be() -> None:
    mosaic = np.full((200, 240), 700, np.uint16)
    mosaic[40:90, 50:120] = 4000

    assert filled(mosaic) is None


def test_darkness_that_a_camera_clips_to_zero_is_let_be() -> None:
    """A camera without a pedestal holds zeros where it is dark, ever more of them downwards."""
    fading = np.linspace(60, -40, 200)[:, None] + np.random.default_rng(1).normal(0, 8, (200, 240))
    mosaic = np.clip(fading, 0, None).astype(np.uint16)

    assert not mosaic[-2:].any()
    assert unfilled(mosaic, period=2, black=0, white=WHITE) is None


def test_a_picture_whose_part_was_never_coded_is_damaged(tmp_path: Path) -> None:
    """An uncompressed file with a hole of zeros across its last third."""
    path = tmp_path / "a.dng"
    levels = levels_for("rggb lossless")
    write_dng(path, levels, spec=DngSpec(compression="none", bits=16, exif=None))
    data = path.read_bytes()
    kept = 2 * len(data) // 3
    path.write_bytes(data[:kept] + bytes(len(data) - kept))

    assert condition_of(path) == "damaged"


@pytest.mark.parametrize("bits", [12, 16])
@pytest.mark.parametrize("at", [0.1, 0.5, 0.93])
def test_a_page_of_zeros_in_an_uncompressed_picture_is_damage(
    tmp_path: Path, bits: int, at: float
) -> None:
    path = tmp_path / "a.dng"
    levels = np.minimum(exposed(light((300, 400))), (1 << 12) - 1)
    spec = DngSpec(compression="none", bits=bits, exif=None, white=4095)
    write_dng(path, levels, spec=spec)
    data = bytearray(path.read_bytes())
    start = int(at * len(data)) // 4096 * 4096
    data[start : start + 4096] = bytes(4096)
    path.write_bytes(data)

    assert condition_of(path) == "damaged"

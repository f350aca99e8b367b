"""What gives no trustworthy pixels says so, each with its own condition, quietly."""

from __future__ import annotations

import hashlib
import os
import stat
import struct
import sys
import threading
from typing import TYPE_CHECKING

import numpy as np
import pytest
import tifffile

from lightmodel.dng import DngSpec, write_dng
from stopwise.errors import PathMissing, Unreadable
from stopwise.raw import decode
from stopwise.raw.libraw import quiet
from support.made_raws import exposed, levels_for, light, write_kind

if TYPE_CHECKING:
    from pathlib import Path


def refused(path: Path, **options: int) -> Unreadable:
    with pytest.raises(Unreadable, match=r".") as caught:
        decode(path, **options)
    return caught.value


def test_an_empty_file(tmp_path: Path) -> None:
    (tmp_path / "a.dng").touch()

    error = refused(tmp_path / "a.dng")

    assert error.condition.name == "empty"
    assert error.exit_code == 3
    assert str(error) == f"{tmp_path / 'a.dng'}: the file is empty"


@pytest.mark.parametrize("data", [b"text\n" * 400, b"\xff\xd8\xff\xe0" + b"j" * 900, b"P"])
def test_a_file_that_is_no_raw(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "a.dng").write_bytes(data)

    assert refused(tmp_path / "a.dng").condition.name == "not_raw"


@pytest.mark.parametrize("photometric", ["minisblack", "rgb"])
def test_a_plain_tiff_is_no_raw_though_the_decoder_opens_a_grey_one(
    tmp_path: Path, photometric: str
) -> None:
    shape = (64, 96) if photometric == "minisblack" else (64, 96, 3)
    picture = np.random.default_rng(1).integers(0, 60_000, shape).astype(np.uint16)
    tifffile.imwrite(tmp_path / "a.tif", picture, photometric=photometric)

    assert refused(tmp_path / "a.tif").condition.name == "not_raw"


@pytest.mark.parametrize("level", [0, 512, 9000])
@pytest.mark.parametrize("planes", [0, 3])
def test_a_picture_of_one_value_is_not_very_dark_but_unreadable(
    tmp_path: Path, level: int, planes: int
) -> None:
    shape = (64, 96, planes) if planes else (64, 96)
    spec = DngSpec(pattern=None if planes else ("RG", "GB"))
    write_dng(tmp_path / "a.dng", np.full(shape, level, np.uint16), spec=spec)

    assert refused(tmp_path / "a.dng").condition.name == "one_value"


def test_a_sheet_of_one_value_but_for_one_photosite_is_read(tmp_path: Path) -> None:
    levels = np.full((64, 96), 700, np.uint16)
    levels[30, 40] = 701
    write_dng(tmp_path / "a.dng", levels, spec=DngSpec())

    assert decode(tmp_path / "a.dng").mosaic[30, 40] == 701


def test_a_broken_code_stream_is_damaged(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "a.dng"
    write_kind(path, "rggb lossless")
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 4000] = b"\xff" * 4000
    path.write_bytes(bytes(data))

    assert refused(path).condition.name == "damaged"
    assert capfd.readouterr().err == ""


@pytest.mark.skipif(sys.platform != "linux", reason="what new memory holds is set by glibc")
def test_a_picture_that_the_decoder_leaves_out_never_shows_another_frame(tmp_path: Path) -> None:
    """Without version and depth the decoder reads no tile, and gives memory as it finds it."""
    path, other = tmp_path / "a.dng", tmp_path / "b.dng"
    write_dng(path, exposed(light((180, 240))), spec=DngSpec())
    write_dng(other, exposed(light((180, 240))), spec=DngSpec(compression="none", bits=16))
    with tifffile.TiffFile(path, mode="r+") as file:
        places = [file.pages.first.tags[code].offset for code in (258, 50706)]
    data = bytearray(path.read_bytes())
    for place in places:
        data[place : place + 2] = struct.pack("<H", 65_000)
    path.write_bytes(data)

    for _ in range(5):
        decode(other)
        assert refused(path).condition.name == "one_value"


def test_white_at_or_under_black_is_damaged(tmp_path: Path) -> None:
    spec = DngSpec(black=600, white=500)
    write_dng(tmp_path / "a.dng", exposed(light((64, 96))), spec=spec)

    error = refused(tmp_path / "a.dng")

    assert error.condition.name == "damaged"
    assert "white 500 at or under black 600" in error.detail


def test_a_lossy_proxy_of_planes_is_reduced(tmp_path: Path) -> None:
    """DNG 1.4: compression 34892, lossy JPEG of LinearRaw, is how reduced proxies are kept."""
    path = tmp_path / "a.dng"
    picture = np.random.default_rng(1).integers(40, 200, (64, 96, 3)).astype(np.uint8)
    tags = [
        (50706, 1, 4, bytes([1, 4, 0, 0]), True),
        (50708, 2, 0, "Lumenfold LF-1", True),
        (271, 2, 0, "Lumenfold", True),
    ]
    tifffile.imwrite(
        path,
        picture,
        photometric="rgb",
        compression="jpeg",
        compressionargs={"outcolorspace": "rgb"},
        rowsperstrip=64,
        extratags=tags,
        metadata=None,
    )
    with tifffile.TiffFile(path, mode="r+") as file:
        page = file.pages.first
        page.tags["Compression"].overwrite(34892)
        page.tags["PhotometricInterpretation"].overwrite(34892)

    assert refused(path).condition.name == "reduced"


def test_a_dng_that_holds_only_a_reduced_picture_is_reduced(tmp_path: Path) -> None:
    """TIFF 6.0, NewSubfileType: bit 0 marks a reduced version of another picture."""
    path = tmp_path / "a.dng"
    write_dng(path, levels_for("rggb lossless"), spec=DngSpec(exif=None))
    with tifffile.TiffFile(path) as file:
        width = file.pages.first.tags["ImageWidth"].offset
    data = bytearray(path.read_bytes())
    spare = data.index((296).to_bytes(2, "little") + b"\3\0", width)  # the unit of resolution
    data[spare : spare + 12] = data[spare : spare + 12][:8] + b"\1\0\0\0"
    head = bytes(data[width : spare + 12])
    moved = (254).to_bytes(2, "little") + b"\4\0\1\0\0\0\1\0\0\0" + head[:-12]
    data[width : spare + 12] = moved
    path.write_bytes(bytes(data))

    assert refused(path).condition.name == "reduced"


def test_coded_tiles_wider_than_the_picture_are_unsupported_since_they_come_out_sheared(
    tmp_path: Path,
) -> None:
    path = tmp_path / "a.dng"
    write_dng(path, levels_for("rggb lossless", (64, 96)), spec=DngSpec(exif=None))
    with tifffile.TiffFile(path, mode="r+") as file:
        file.pages.first.tags["ImageWidth"].overwrite(40)

    error = refused(path)

    assert error.condition.name == "unsupported"
    assert error.detail == "its tiles are wider than the picture"


CFA_TAGS = [
    (33421, 3, 2, (2, 2), True),
    (33422, 1, 4, bytes([0, 1, 1, 2]), True),
    (50706, 1, 4, bytes([1, 4, 0, 0]), True),
    (50708, 2, 0, "Lumenfold LF-1", True),
]


@pytest.mark.parametrize("kind", ["float32", "float16", "uint32"])
def test_levels_that_aren_t_16_bit_integers_are_unsupported(tmp_path: Path, kind: str) -> None:
    """The decoder would rescale floating-point levels by a factor that it doesn't tell."""
    levels = (np.random.default_rng(1).random((64, 96)) * 200).astype(kind)
    path = tmp_path / "a.dng"
    tifffile.imwrite(path, levels, photometric=32803, metadata=None, extratags=CFA_TAGS)

    assert refused(path).condition.name == "unsupported"


@pytest.mark.parametrize("options", [{"byteorder": ">"}, {"rowsperstrip": 7}], ids=str)
def test_big_endian_files_and_many_strips_are_read(
    tmp_path: Path, options: dict[str, object]
) -> None:
    levels = exposed(light((64, 96)))
    path = tmp_path / "a.dng"
    tifffile.imwrite(path, levels, photometric=32803, metadata=None, extratags=CFA_TAGS, **options)

    assert np.array_equal(decode(path).mosaic, levels)


def test_a_white_that_no_level_reaches_is_damaged(tmp_path: Path) -> None:
    write_dng(tmp_path / "a.dng", exposed(light((64, 96))), spec=DngSpec(white=1 << 20))

    error = refused(tmp_path / "a.dng")

    assert error.condition.name == "damaged"
    assert "white 1048576" in error.detail


# --- claims and limits ----------------------------------------------------------------------------


def claim(path: Path, width: int, height: int) -> None:
    """Write a coded DNG whose header claims another size."""
    write_dng(path, levels_for("rggb lossless", (64, 96)), spec=DngSpec(exif=None))
    with tifffile.TiffFile(path, mode="r+") as file:
        file.pages.first.tags["ImageWidth"].overwrite(width)
        file.pages.first.tags["ImageLength"].overwrite(height)


def test_a_header_that_claims_60_000_by_60_000_is_refused(tmp_path: Path) -> None:
    claim(tmp_path / "a.dng", 60_000, 60_000)

    error = refused(tmp_path / "a.dng")

    assert error.condition.name == "too_large"
    assert "60000 x 60000 photosites need more than 1024 MB" in error.detail


def test_more_photosites_than_any_packing_could_hold_are_refused(tmp_path: Path) -> None:
    """RFC 1951: deflate packs at most 258 bytes into 2 bits, 1032 to 1."""
    claim(tmp_path / "a.dng", 20_000, 20_000)

    error = refused(tmp_path / "a.dng")

    assert error.condition.name == "too_large"
    assert "20000 x 20000 photosites in" in error.detail


@pytest.mark.parametrize("height", [65, 200])
def test_a_picture_that_its_parts_don_t_cover_is_damaged(tmp_path: Path, height: int) -> None:
    """Of such photosites the decoder gives what its memory held, which may be another frame."""
    claim(tmp_path / "a.dng", 96, height)

    error = refused(tmp_path / "a.dng")

    assert error.condition.name == "damaged"
    assert "parts of its picture are named" in error.detail


def test_the_limit_holds_for_file_and_picture(tmp_path: Path) -> None:
    path = tmp_path / "a.dng"
    write_kind(path, "rggb lossless")

    assert refused(path, at_most_bytes=1000).condition.name == "too_large"
    assert refused(path, at_most_bytes=60_000).condition.name == "too_large"
    assert decode(path, at_most_bytes=200_000).mosaic.nbytes == 150 * 214 * 2


# --- paths ----------------------------------------------------------------------------------------


def test_a_path_that_isn_t_there(tmp_path: Path) -> None:
    with pytest.raises(PathMissing, match=r"gone\.dng isn't there\. Check the name"):
        decode(tmp_path / "gone.dng")


def test_a_folder_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(PathMissing, match="is not a file"):
        decode(tmp_path)


@pytest.mark.skipif(os.name == "nt", reason="Windows has no named pipes in folders")
def test_a_pipe_is_never_opened(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "a.dng")

    with pytest.raises(PathMissing, match="is not a file"):
        decode(tmp_path / "a.dng")


@pytest.mark.skipif(
    os.name == "nt" or getattr(os, "geteuid", lambda: 0)() == 0,
    reason="permissions don't bind this user",
)
def test_a_file_without_permission(tmp_path: Path) -> None:
    path = tmp_path / "a.dng"
    write_kind(path, "monochrome")
    path.chmod(0)

    assert refused(path).condition.name == "no_access"


def test_a_name_too_long_for_the_system_can_t_be_opened(tmp_path: Path) -> None:
    error = refused(tmp_path / ("a" * 300 + ".dng"))

    assert error.condition.name == "no_access"


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux takes any bytes as a name")
@pytest.mark.parametrize("name", [b"a\nb.dng", b"\xff\xfe.dng", "→ 🎭 '\".dng".encode()])
def test_any_name_that_the_system_takes_is_read(tmp_path: Path, name: bytes) -> None:
    path = tmp_path / os.fsdecode(name)
    written = write_kind(path, "monochrome")

    assert np.array_equal(decode(path).mosaic, written)


def test_a_read_only_file_in_a_read_only_folder_is_read_and_left_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "a.dng"
    write_kind(path, "rggb lossless")
    before = hashlib.sha256(path.read_bytes()).hexdigest()
    times = path.stat().st_mtime_ns
    path.chmod(stat.S_IRUSR)

    decode(path)

    assert hashlib.sha256(path.read_bytes()).hexdigest() == before
    assert path.stat().st_mtime_ns == times
    assert sorted(tmp_path.iterdir()) == [path]


# --- what the decoder prints ----------------------------------------------------------------------


def test_other_lines_on_stderr_are_passed_on(capfd: pytest.CaptureFixture[str]) -> None:
    with quiet():
        os.write(2, b"a warning of another library\nunknown file: data corrupted at 7\n")

    assert capfd.readouterr().err == "a warning of another library\n"


def test_two_threads_decode_at_once_and_tell_only_of_their_own(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    good, bad = tmp_path / "good.dng", tmp_path / "bad.dng"
    write_kind(good, "rggb lossless")
    data = bytearray(good.read_bytes())
    data[len(data) // 2 :][:1] = b""
    middle = len(data) // 2
    data[middle : middle + 4000] = b"\xff" * 4000
    bad.write_bytes(bytes(data))
    said: list[str] = []

    def work(path: Path) -> None:
        for _ in range(20):
            try:
                decode(path)
                said.append(f"{path.name} read")
            except Unreadable as error:
                said.append(f"{path.name} {error.condition.name}")

    threads = [threading.Thread(target=work, args=(path,)) for path in (good, bad)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert sorted(set(said)) == ["bad.dng damaged", "good.dng read"]
    assert capfd.readouterr().err == ""


def test_a_process_without_stderr_decodes_too(tmp_path: Path) -> None:
    import subprocess

    path = tmp_path / "a.dng"
    write_kind(path, "monochrome")
    code = (
        "import os, sys; os.close(2); from stopwise.raw import decode; "
        "print(decode(sys.argv[1]).mosaic.shape)"
    )

    ran = subprocess.run(
        [sys.executable, "-c", code, os.fspath(path)], capture_output=True, text=True, check=True
    )

    assert ran.stdout.strip() == "(150, 214)"

"""Camera, exposure and orientation as the file says them; what can't be true is None."""

from __future__ import annotations

import math
from datetime import datetime
from fractions import Fraction
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest

from lightmodel.dng import DngExif, DngSpec, write_dng
from stopwise.frame import Camera, Exposure
from stopwise.raw import decode
from stopwise.raw.decoding import camera_of, embedded_tags, exposure_of, orientation_of_flip
from support.made_raws import EXIF, exposed, light

if TYPE_CHECKING:
    from pathlib import Path

    from stopwise.frame import Frame


def frame_of(path: Path, **options: object) -> Frame:
    write_dng(path, exposed(light((64, 96))), spec=DngSpec(**options))  # type: ignore[arg-type]
    return decode(path)


def test_camera_and_exposure_are_read_exactly(tmp_path: Path) -> None:
    frame = frame_of(tmp_path / "a.dng", exif=EXIF)

    assert frame.camera == Camera("Lumenfold", "LF-1", "LF 85/1.8")
    assert frame.exposure == Exposure(100.0, 11.0, 1 / 160, "2026-03-02T10:00:00.25")


@pytest.mark.parametrize("mark", ["2.8", "28/5", "63/10", "11", "1000/317"])
def test_a_rational_is_not_rounded_to_32_bits(tmp_path: Path, mark: str) -> None:
    frame = frame_of(tmp_path / "a.dng", exif=DngExif(f_number=mark))

    assert frame.exposure.f_number == float(Fraction(mark))


@pytest.mark.parametrize(("f_number", "shutter"), [("5.6", "1/125"), ("11", "1/160"), ("8", "2")])
def test_apex_values_stand_in_where_the_plain_tags_are_missing(
    tmp_path: Path, f_number: str, shutter: str
) -> None:
    """Exif (CIPA DC-008), APEX annex: N = 2^(Av/2), t = 2^-Tv; 0.02 stop for stored rounding."""
    path = tmp_path / "a.dng"
    exif = DngExif(f_number=f_number, shutter_s=shutter, apex=True)
    frame_of(path, exif=exif)
    data = path.read_bytes()
    for code in (33434, 33437):  # take the plain tags' codes away
        data = data.replace(code.to_bytes(2, "little") + b"\5\0", b"\1\x90\5\0")
    path.write_bytes(data)

    exposure = decode(path).exposure

    assert exposure.f_number is not None
    assert exposure.shutter_s is not None
    assert 2 * math.log2(exposure.f_number / float(f_number)) == pytest.approx(0, abs=0.02)
    assert math.log2(exposure.shutter_s / float(Fraction(shutter))) == pytest.approx(0, abs=0.02)


def test_settings_that_can_t_be_true_are_none(tmp_path: Path) -> None:
    exif = DngExif(iso=0, f_number=0, shutter_s=0, taken=datetime(1970, 1, 1))  # noqa: DTZ001
    frame = frame_of(tmp_path / "a.dng", exif=exif)

    assert frame.exposure == Exposure()


def test_a_file_without_exif_says_nothing(tmp_path: Path) -> None:
    frame = frame_of(tmp_path / "a.dng", exif=None)

    assert frame.exposure == Exposure()
    assert frame.camera == Camera("Lumenfold", "LF-1", None)


def test_whole_seconds_have_no_decimals(tmp_path: Path) -> None:
    taken = datetime(2026, 3, 2, 10, 0, 5)  # noqa: DTZ001
    frame = frame_of(tmp_path / "a.dng", exif=DngExif(taken=taken))

    assert frame.exposure.taken == "2026-03-02T10:00:05"


def test_exif_is_found_where_the_raw_picture_lies_in_a_sub_directory(tmp_path: Path) -> None:
    import numpy as np

    preview = np.zeros((24, 36, 3), np.uint8)
    frame = frame_of(tmp_path / "a.dng", exif=EXIF, preview=preview, orientation=6)

    assert frame.exposure.iso == 100.0
    assert frame.orientation == 6
    assert frame.mosaic.shape == (64, 96)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_each_orientation_is_the_tag_s(tmp_path: Path, orientation: int) -> None:
    assert frame_of(tmp_path / "a.dng", orientation=orientation).orientation == orientation


def test_the_decoder_s_codes_cover_each_orientation_once() -> None:
    assert sorted(orientation_of_flip(code) for code in range(8)) == list(range(1, 9))
    assert orientation_of_flip(99) == 1


def said_by_decoder(exposure: Exposure, lens: str) -> Any:
    """Return the part of a decoded picture that speaks of its settings."""
    return SimpleNamespace(exposure=exposure, lens=lens)


def test_without_directories_the_decoder_s_settings_stand() -> None:
    said = Exposure(400.0, 5.596, 4.967, "2026-03-02T10:00:00")
    tags = embedded_tags(b"no Exif in here")

    assert exposure_of(tags, said_by_decoder(said, "")) == said
    assert camera_of(tags, said_by_decoder(said, " A  lens ")) == Camera(None, None, "A lens")


def test_settings_that_no_camera_has_are_none() -> None:
    said = Exposure(5e-324, 1e308, 1e-300, None)

    assert exposure_of(embedded_tags(b""), said_by_decoder(said, "")) == Exposure()


def test_other_containers_hold_their_exif_as_small_tiff_files(tmp_path: Path) -> None:
    """A preview's segment "Exif", two boxes: each begins as a TIFF does (Exif, CIPA DC-008)."""
    write_dng(tmp_path / "a.dng", exposed(light((64, 96))), spec=DngSpec(exif=EXIF))
    exif = (tmp_path / "a.dng").read_bytes()

    tags = embedded_tags(b"\0\0\0\x18ftypmade" + bytes(40) + b"made" + exif)

    assert camera_of(tags, said_by_decoder(Exposure(), "")) == Camera(
        "Lumenfold", "LF-1", "LF 85/1.8"
    )
    assert exposure_of(tags, said_by_decoder(Exposure(), "")).shutter_s == 1 / 160

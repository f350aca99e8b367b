"""Pictures of the set: upright, without their place, and else refused in a sentence."""

from __future__ import annotations

import io

import pytest
from PIL import Image

from stopwise.errors import StopwiseError
from stopwise.handover.photographs import photograph

ORIENTATION, GPS, MAKE = 0x0112, 0x8825, 0x010F  # tags of Exif 2.32 (CIPA DC-008)


def taken(path, size=(400, 300), orientation=6, **how):
    """Write a picture whose upper left corner is red as the sensor saw it."""
    picture = Image.new("RGB", size, "black")
    picture.paste("red", (0, 0, size[0] // 4, size[1] // 4))
    tags = Image.Exif()
    tags[ORIENTATION], tags[MAKE] = orientation, "Telephone"
    tags.get_ifd(GPS)[1] = "N"
    picture.save(path, exif=tags, **how)
    return path


def test_it_is_turned_upright_and_holds_no_place(tmp_path):
    data = photograph(taken(tmp_path / "set.jpg", quality=95))
    assert b"Telephone" not in data
    assert b"Exif" not in data
    with Image.open(io.BytesIO(data)) as picture:
        assert not picture.getexif()
        assert picture.size == (300, 400)  # turned by a quarter: value 6 of the tag
        assert picture.getpixel((280, 10))[0] > 200  # the corner went to the right
        assert picture.getpixel((10, 10))[0] < 60


def test_a_telephones_own_form_is_read(tmp_path):
    """HEIC is written here by the library that the extra brings, which turns pictures itself."""
    from pillow_heif import register_heif_opener

    register_heif_opener()
    data = photograph(taken(tmp_path / "set.heic", orientation=1, quality=95))
    assert b"Telephone" not in data
    with Image.open(io.BytesIO(data)) as picture:
        assert (picture.format, picture.size) == ("JPEG", (400, 300))
        assert picture.getpixel((10, 10))[0] > 200


def test_it_is_no_larger_than_a_page_needs(tmp_path):
    with Image.open(io.BytesIO(photograph(taken(tmp_path / "a.jpg", (4000, 3000), 1)))) as picture:
        assert picture.size == (1600, 1200)


@pytest.mark.parametrize("content", [b"", b"no picture", b"\xff\xd8\xff\xe0 cut short"])
def test_what_is_no_picture_is_refused_in_a_sentence(tmp_path, content):
    path = tmp_path / "set.jpg"
    path.write_bytes(content)
    with pytest.raises(StopwiseError, match="can't be read as a picture"):
        photograph(path)


def test_one_that_isnt_there_is_said(tmp_path):
    with pytest.raises(StopwiseError, match="isn't there"):
        photograph(tmp_path / "none.jpg")

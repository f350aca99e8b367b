"""Names in a folder: which count as raw, and how names from outside are shown."""

from __future__ import annotations

import os

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stopwise.folder.names import in_order, is_picture, is_raw, shown, stem


@pytest.mark.parametrize(
    "name", ["F1.dng", "F1.DNG", "a b\n.ArW", "é😀.cr3", "F1.tmp.nef", "x.jpg.raf", "b\udc80.orf"]
)
def test_raw_names_count_in_any_case_and_spelling(name: str) -> None:
    assert is_raw(name)
    assert not is_picture(name)


@pytest.mark.parametrize(
    "name",
    [
        "F1.dng.part",
        "F1.dng.tmp",
        ".F1.dng",
        "._F1.dng",
        ".F1.dng.Xq3",
        "~F1.dng",
        "F1.xmp",
        "dng",
        ".dng",
        "F1.",
        "F1.tif",
        "",
    ],
)
def test_temporary_hidden_and_other_names_do_not_count(name: str) -> None:
    assert not is_raw(name)


def test_finished_pictures_are_told_from_raw_files() -> None:
    assert is_picture("F1.JPG")
    assert is_picture("f1.heic")
    assert not is_picture(".f1.jpg")
    assert stem("day/F1.JPG") == stem("other/f1.dng")


def test_names_sort_as_people_count() -> None:
    names = ["F10.dng", "F2.dng", "F1.dng", "f3.dng", "a/F9.dng"]
    assert sorted(names, key=in_order) == ["a/F9.dng", "F1.dng", "F2.dng", "f3.dng", "F10.dng"]


def test_a_hostile_name_is_shown_as_one_line_of_plain_text() -> None:
    assert shown("a\nb\x1b[31m\udcff\u202etxt.dng") == "a\\nb\\x1b[31m\\xff\\u202etxt.dng"
    assert shown("Füchsin 😀 'q' \"d\".dng") == "Füchsin 😀 'q' \"d\".dng"


@given(st.binary(min_size=1, max_size=60))
def test_any_name_can_be_shown_printed_and_sorted(raw: bytes) -> None:
    name = os.fsdecode(raw)
    text = shown(name)
    text.encode("utf-8")
    assert "\n" not in text
    assert text.isprintable()
    assert in_order(name) == in_order(name)

"""Settled files behave as the dict that they stand for, whatever bytes a name holds."""

from __future__ import annotations

import os

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stopwise.folder.states import SettledFiles

NAMES = st.binary(min_size=1, max_size=3).map(os.fsdecode)
STAMPS = st.integers(-(1 << 63), (1 << 63) - 1)


@given(st.lists(st.tuples(NAMES, st.none() | STAMPS)))
def test_they_hold_what_a_dict_would(steps: list[tuple[str, int | None]]) -> None:
    files, told = SettledFiles(), dict[str, int]()
    for name, stamp in steps:
        if stamp is None:
            assert files.pop(name, None) == told.pop(name, None)
        else:
            files[name] = told[name] = stamp
        assert files.get(name) == told.get(name)
    assert (files, len(files), set(files)) == (told, len(told), set(told))
    files.clear()
    assert files == {}


def test_more_names_than_are_read_at_once_are_all_given() -> None:
    files = SettledFiles()
    files.update({f"F{number:04d}.dng": number for number in range(600)})
    assert list(files) == sorted(files) == [f"F{number:04d}.dng" for number in range(600)]
    with pytest.raises(KeyError):
        files["F0600.dng"]
    with pytest.raises(KeyError):
        del files["F0600.dng"]

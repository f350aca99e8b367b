"""Each key that a TOML parser reads has a place, and the text there is its value."""

from __future__ import annotations

import tomllib
from typing import Any

import tomlkit
from hypothesis import given
from hypothesis import strategies as st

from stopwise.plan.places import find_places

KEYS = st.text("ab-_0", min_size=1, max_size=3) | st.text(max_size=4)
SCALARS = (
    st.integers(-(2**40), 2**40)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.booleans()
    | st.text(max_size=12)
    | st.dates()
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3),
    max_leaves=12,
)
TABLES = st.dictionaries(KEYS, VALUES, max_size=5)


def walk(data: Any, path: tuple[str | int, ...] = ()) -> list[tuple[tuple[str | int, ...], Any]]:
    items = data.items() if isinstance(data, dict) else enumerate(data)
    found = []
    for key, value in items:
        found.append(((*path, key), value))
        if isinstance(value, dict | list):
            found += walk(value, (*path, key))
    return found


@given(TABLES)
def test_every_key_of_a_written_document_has_its_place(data: dict[str, Any]) -> None:
    text = tomlkit.dumps(data)
    read = tomllib.loads(text)

    places = find_places(text)

    assert places.broken_at is None
    for path, value in walk(read):
        place = places.by_path[path]
        stands = text[place.start : place.end]
        assert text.count("\n", 0, place.start) + 1 == place.line
        if stands and not place.is_header:
            assert tomllib.loads(f"v = {stands}")["v"] == value


@given(st.text(max_size=200))
def test_no_text_breaks_the_scan(text: str) -> None:
    places = find_places(text)

    assert places.broken_at is None or 0 <= places.broken_at <= len(text)


def test_tables_that_stand_interleaved_keep_their_numbers() -> None:
    text = "[[a]]\nx = 1\n[b]\ny = 2\n[[a]]\nx = 3\n[[a.c]]\nz = 4\n[[a.c]]\nz = 5\n"

    lines = {path: place.line for path, place in find_places(text).by_path.items()}

    assert lines["a", 0, "x"] == 2
    assert lines["a", 1, "x"] == 6
    assert lines["a", 1, "c", 1, "z"] == 10
    assert lines["b", "y"] == 4

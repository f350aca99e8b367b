"""Where ledgers lie, and how their records come out."""

from __future__ import annotations

import csv
import io
import json
import re
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stopwise.ledger import data_folder, default_place
from stopwise.ledger.export import csv_lines, flat, json_lines
from support.records import record


def test_the_data_folder_follows_the_xdg_base_directory_specification(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """XDG Base Directory Specification 0.8: default ~/.local/share; a relative path is ignored."""
    if sys.platform in ("win32", "darwin"):
        pytest.skip("these systems have a place of their own")
    monkeypatch.setenv("XDG_DATA_HOME", "/data")
    assert data_folder() == Path("/data/stopwise")
    for unusable in ("", "relative"):
        monkeypatch.setenv("XDG_DATA_HOME", unusable)
        assert data_folder() == Path.home() / ".local" / "share" / "stopwise"


def test_each_folder_has_one_ledger_outside_it_however_it_is_named(tmp_path: Path) -> None:
    folder = tmp_path / "Fencer ✗ day 1"
    other = tmp_path / "else" / "Fencer ✗ day 1"
    for made in (folder, other):
        made.mkdir(parents=True)
    place = default_place(folder)
    assert place.parent == data_folder() / "ledgers"
    assert place.name.startswith("Fencer-day-1-")
    assert place.name.isascii()
    for same in (folder / ".." / folder.name, f"{folder}/"):
        assert default_place(same) == place
    assert default_place(other).name != place.name


def test_a_name_without_a_plain_letter_still_gives_a_file_name() -> None:
    assert default_place("/").name.startswith("folder-")
    assert default_place("/照片/…").name.startswith("folder-")


def test_json_lines_are_the_records_themselves() -> None:
    records = [record("on plan"), record("off plan", file="F\udc80\n.dng")]
    lines = list(json_lines(records))
    assert [json.loads(line) for line in lines] == records
    assert all(line.isascii() and line.count("\n") == 1 for line in lines)


def rows_of(lines: list[str]) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO("".join(lines), newline="")))


def test_csv_has_a_column_for_each_figure_in_any_record() -> None:
    first = {"file": "a", "size": [3, 2], "patches": {"cheek": {"zone": 6.5, "top": None}}}
    second = {"file": "b", "size": None, "patches": {"hair": {"zone": 5.0}}}
    one, two = rows_of(list(csv_lines(lambda: [first, second])))
    assert one == {
        "file": "a",
        "size.0": "3",
        "size.1": "2",
        "patches.cheek.zone": "6.5",
        "patches.cheek.top": "",
        "size": "",
        "patches.hair.zone": "",
    }
    assert two["patches.hair.zone"] == "5.0"
    assert two["size.0"] == ""


def test_csv_keeps_findings_and_areas_as_json() -> None:
    findings = [{"check": "patch", "of": "cheek", "measured": 6.9}]
    (row,) = rows_of(list(csv_lines(lambda: [{"findings": findings, "clipping": {"areas": []}}])))
    assert json.loads(row["findings"]) == findings
    assert row["clipping.areas"] == "[]"


SIGNS = "=+-@＝＋－＠"
"""What begins a formula, by OWASP's page "CSV Injection" (with tab and line ends)."""


@pytest.mark.parametrize(
    ("text", "cell"),
    [
        *((f"{sign}1.dng", f"'{sign}1.dng") for sign in SIGNS),
        (" =1", "' =1"),
        ("x;=1;.dng", "x;'=1;.dng"),
        ("\t=1", r"\t=1"),
        ("\r=1", r"\r=1"),
        ("'=1", "''=1"),
        ("it's 1-2.dng", "it's 1-2.dng"),
    ],
)
def test_text_never_reaches_a_spreadsheet_as_a_formula(text: str, cell: str) -> None:
    """A semicolon parts cells where a comma stands in numbers: then each part begins a cell."""
    read = {"file": text, text: -1.0, "findings": [{"of": text}]}
    lines = list(csv_lines(lambda: [read]))
    (row,) = rows_of(lines)
    assert row["file"] == cell
    assert row[cell] == "-1.0"  # numbers stay numbers
    for part in csv.reader(io.StringIO("".join(lines), newline=""), delimiter=";"):
        assert [one for one in part if one.lstrip().startswith(tuple(SIGNS))] == []


@given(st.text(st.sampled_from("a;'1 [" + SIGNS)))
def test_text_reads_back_from_a_table_as_the_page_says(text: str) -> None:
    (row,) = rows_of(list(csv_lines(lambda: [{"file": f"{text}.dng"}])))
    assert re.sub("(^|;)'( *'*[=+@＝＋－＠-])", r"\1\2", row["file"]) == f"{text}.dng"


def test_csv_and_json_of_no_records_are_empty_but_for_the_heading() -> None:
    assert list(json_lines([])) == []
    assert "".join(csv_lines(list)).strip() == ""


@given(
    st.lists(
        st.dictionaries(
            st.text(st.characters(exclude_categories=["Cs"]), min_size=1),
            st.none() | st.text(st.characters(exclude_categories=["Cs"])) | st.integers(),
            min_size=1,
        ),
        min_size=1,
        max_size=4,
    )
)
def test_csv_of_anything_reads_back_with_every_row(records: list[dict[str, object]]) -> None:
    lines = list(csv_lines(lambda: records))
    rows = list(csv.reader(io.StringIO("".join(lines), newline="")))
    assert len([row for row in rows if row]) >= 1
    assert len(lines) == len(records) + 1


def test_a_whole_record_comes_out_flat() -> None:
    row = flat(record("on plan"))
    assert row["patches.lit cheek.zone"] == 6.5
    assert row["levels.black.2"] == 515.0
    assert row["zones.share.10"] == 0.0
    assert row["timing_ms.decode"] == 120.0

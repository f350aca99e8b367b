"""Edits change what they say, and leave every other letter where a person put it."""

from __future__ import annotations

import difflib
import os
import stat
import tomllib
from pathlib import Path
from typing import Any

import pytest
import tomlkit
from hypothesis import given
from hypothesis import strategies as st

from stopwise.errors import PathMissing, PlanError, WrongUse
from stopwise.plan.draft import Draft, open_draft, undo_edit, undo_file

TEXT = """\
# our set, second day
schema = 1
[[light]]
name = "key"      # snoot, high
meter = 11
  # indented remark
[camera]
iso = 100         # base
mid_grey = 0.127  # card of Tuesday

[[light]]         # stands between on purpose
name = "fill"

[[patch]]
name = "lit cheek"
box = [0.5, 0.4,  # left, top
       0.6, 0.5]
zone = 6.5        # by eye
# the last word
"""


def of(text: str) -> Draft:
    """Return a draft of a text that is nowhere on a disk."""
    return Draft(Path("plan.toml"), b"", text)


def changed_lines(before: str, after: str) -> list[str]:
    diff = difflib.ndiff(before.splitlines(), after.splitlines())
    return [line for line in diff if line[0] in "+-"]


def test_one_value_changes_and_nothing_else() -> None:
    after = of(TEXT).set(("camera", "mid_grey"), 0.131).text

    assert changed_lines(TEXT, after) == [
        "- mid_grey = 0.127  # card of Tuesday",
        "+ mid_grey = 0.131  # card of Tuesday",
    ]


def test_a_new_key_stands_behind_the_last_of_its_table() -> None:
    after = of(TEXT).set(("camera", "mid_grey_iso"), 100).text

    assert changed_lines(TEXT, after) == ["+ mid_grey_iso = 100"]
    assert after.index("mid_grey_iso") > after.index("card of Tuesday")


def test_a_new_table_stands_at_the_end() -> None:
    after = of(TEXT).set(("frames", "solo", "hair light"), "F7.dng").text

    assert after.startswith(TEXT)
    assert after.removeprefix(TEXT) == '\n[frames.solo]\n"hair light" = "F7.dng"\n'


def test_a_key_of_the_top_stands_before_the_first_table() -> None:
    assert tomllib.loads(of(TEXT).set(("title",), 'The "fencer"').text)["title"] == 'The "fencer"'
    assert tomllib.loads(of("[camera]\n").set(("title",), "x").text) == {"title": "x", "camera": {}}


def test_the_old_value_stays_as_a_comment_when_asked() -> None:
    after = of(TEXT).set(("patch", 0, "zone"), 6.2, was="before F0012.dng").text

    assert "# zone = 6.5  (before F0012.dng)\nzone = 6.2        # by eye\n" in after


def test_an_old_list_of_several_lines_stays_as_a_comment() -> None:
    after = of(TEXT).set(("patch", 0, "box"), (0.1, 0.2, 0.3, 0.4), was="moved").text

    assert "# box = [0.5, 0.4,  # left, top\n# 0.6, 0.5]  (moved)\nbox = [0.1, 0.2" in after


def test_the_old_value_of_a_key_in_braces_stays_as_a_comment() -> None:
    after = of("backdrop = { zone = 4.5 }\n").set(("backdrop", "zone"), 4.4, was="adopted").text

    assert after == "# backdrop = { zone = 4.5 }  (adopted)\nbackdrop = { zone = 4.4 }\n"


def test_one_more_patch_stands_behind_the_last() -> None:
    after = of(TEXT).add(("patch",), {"name": "hair", "box": (0.1, 0.1, 0.2, 0.2)}).text

    assert tomllib.loads(after)["patch"][1]["name"] == "hair"
    assert [line for line in changed_lines(TEXT, after) if line[0] == "-"] == []
    assert after.index('"hair"') < after.index("# the last word")


def test_a_lamp_is_added_where_lamps_stand_interleaved() -> None:
    after = of(TEXT).add(("light",), {"name": "hair"}).text

    assert [light["name"] for light in tomllib.loads(after)["light"]] == ["key", "fill", "hair"]
    assert [line for line in changed_lines(TEXT, after) if line[0] == "-"] == []


def test_a_table_goes_with_the_comments_straight_above_it() -> None:
    text = TEXT.replace("[[patch]]", "# the cheek\n[[patch]]")

    after = of(text).remove(("patch", 0)).text

    assert "cheek" not in after
    assert tomllib.loads(after)["light"] == tomllib.loads(text)["light"]


def test_dotted_and_inline_tables_are_edited_as_they_stand() -> None:
    text = 'camera.iso = 100\nframes = { grey = "a.dng" }\nlight = [{ name = "key" }]\n'

    text = of(text).set(("camera", "mid_grey"), 0.13).text
    text = of(text).set(("frames", "plate"), "b.dng").text
    text = of(text).set(("frames", "grey"), "c.dng").text
    text = of(text).add(("light",), {"name": "fill"}).text

    assert text == (
        "camera.iso = 100\ncamera.mid_grey = 0.13\n"
        'frames = { grey = "c.dng", plate = "b.dng"}\n'
        'light = [{ name = "key" }, {name = "fill"}]\n'
    )


def test_lines_keep_ending_as_they_did() -> None:
    after = of("[camera]\r\niso = 100\r\n").set(("camera", "f_number"), 11.0).text

    assert after == "[camera]\r\niso = 100\r\nf_number = 11.0\r\n"


PAIRS = """\
[[patch]]
name = "cheek"  # lit
box = [0.5, 0.4, 0.6, 0.5]
[[patch]]
name = "neck"
box = [0.5, 0.6, 0.6, 0.7]
[[ratio]]
lit = "cheek"
shadow = "neck"
stops = 1
[[separation]]
lighter = "cheek"
darker = "neck"
at_least = 1
[[look]]
name = "in black"
[[look.patch]]
name = "cheek"
box = [0.5, 0.4, 0.6, 0.5]
[[look.ratio]]
lit = "cheek"
shadow = "neck"
stops = 1
"""


def test_a_patch_is_renamed_wherever_it_is_meant() -> None:
    plan = of(PAIRS).rename_patch(("patch", 0), "brow").plan

    assert (plan.patches[0].name, plan.ratios[0].lit) == ("brow", "brow")
    assert plan.separations[0].lighter == "brow"
    assert plan.looks[0].ratios[0].lit == "cheek"  # the look has a cheek of its own

    shared = of(PAIRS).rename_patch(("patch", 1), "throat").plan
    assert (shared.ratios[0].shadow, shared.looks[0].ratios[0].shadow) == ("throat", "throat")


def test_a_looks_patch_is_renamed_in_its_look_alone() -> None:
    plan = of(PAIRS).rename_patch(("look", 0, "patch", 0), "brow").plan

    assert plan.looks[0].ratios[0].lit == "brow"
    assert (plan.ratios[0].lit, plan.separations[0].lighter) == ("cheek", "cheek")

    only = PAIRS.replace('[[separation]]\nlighter = "cheek"', '[[separation]]\nlighter = "coat"')
    only = only.replace('[[look.patch]]\nname = "cheek"', '[[look.patch]]\nname = "coat"')
    plan = of(only).rename_patch(("look", 0, "patch", 0), "jacket").plan
    assert plan.separations[0].lighter == "jacket"


def test_what_cant_be_written_safely_is_refused() -> None:
    with pytest.raises(WrongUse, match="can't be written safely"):
        of("light = 3\n").set(("light", "name"), "key")
    with pytest.raises(WrongUse, match="can't be written safely"):
        of(TEXT).remove(("patch", 4))
    with pytest.raises(WrongUse, match="one line and no control signs"):
        of(TEXT).set(("title",), "two\nlines")


KEYS = st.sampled_from(["iso", "note", "a b", "x"])
VALUES = (
    st.floats(-100, 100)
    | st.text(st.characters(categories=["L", "N", "P", "Zs"]), max_size=8).filter(str.isprintable)
    | st.booleans()
    | st.lists(st.floats(0, 1), max_size=4)
)


@given(
    data=st.dictionaries(KEYS, VALUES | st.dictionaries(KEYS, VALUES, max_size=3), max_size=4),
    table=KEYS,
    key=KEYS,
    value=VALUES,
)
def test_a_written_value_is_read_back_and_comments_stay(
    data: dict[str, Any], table: str, key: str, value: Any
) -> None:
    text = "# first\n" + tomlkit.dumps(data) + "# last\n"

    try:
        after = of(text).set((table, key), value).text
    except WrongUse:
        assert table in data
        assert not isinstance(data[table], dict) or isinstance(data[table].get(key), dict)
    else:
        assert tomllib.loads(after)[table][key] == value
        assert after.count("# first") == after.count("# last") == 1


@pytest.fixture
def plan_file(tmp_path: Path) -> Path:
    file = tmp_path / "plan.toml"
    file.write_text(TEXT, encoding="utf-8")
    return file


def test_a_draft_is_written_whole_and_undone_once(plan_file: Path) -> None:
    open_draft(plan_file).set(("camera", "iso"), 200).save()

    assert "iso = 200         # base" in plan_file.read_text(encoding="utf-8")

    undo_edit(plan_file)

    assert plan_file.read_text(encoding="utf-8") == TEXT
    with pytest.raises(WrongUse, match="to undo: only the last one"):
        undo_edit(plan_file)


def test_what_an_edit_keeps_for_its_undo_is_never_written_through_a_link(plan_file: Path) -> None:
    raw = plan_file.with_name("F0001.dng")
    raw.write_bytes(b"raw")
    undo_file(plan_file).symlink_to(raw)

    open_draft(plan_file).set(("camera", "iso"), 200).save()

    assert raw.read_bytes() == b"raw"
    undo_edit(plan_file)
    assert plan_file.read_text(encoding="utf-8") == TEXT


@pytest.mark.parametrize("held", ["", "[]", "{}", "[" * 30_000, '{"before": "x"}', '{"before": 1}'])
def test_what_is_no_note_of_an_edit_undoes_nothing(plan_file: Path, held: str) -> None:
    undo_file(plan_file).write_text(held, encoding="utf-8")

    with pytest.raises(WrongUse, match="to undo: only the last one"):
        undo_edit(plan_file)

    assert plan_file.read_text(encoding="utf-8") == TEXT


def test_an_undo_is_refused_after_a_change_by_hand(plan_file: Path) -> None:
    open_draft(plan_file).set(("camera", "iso"), 200).save()
    plan_file.write_text(TEXT + "# mine\n", encoding="utf-8")

    with pytest.raises(WrongUse, match="was changed since that edit"):
        undo_edit(plan_file)

    assert plan_file.read_text(encoding="utf-8").endswith("# mine\n")


def test_a_plan_that_changed_meanwhile_is_not_overwritten(plan_file: Path) -> None:
    draft = open_draft(plan_file).set(("camera", "iso"), 200)
    plan_file.write_text(TEXT + "# saved in the editor\n", encoding="utf-8")

    with pytest.raises(WrongUse, match="was changed meanwhile"):
        draft.save()

    assert "iso = 100" in plan_file.read_text(encoding="utf-8")
    assert sorted(path.name for path in plan_file.parent.iterdir()) == ["plan.toml"]


def test_an_edit_that_makes_the_plan_wrong_is_never_written(plan_file: Path) -> None:
    draft = open_draft(plan_file).set(("patch", 0, "zone"), 65)

    with pytest.raises(PlanError, match="at most 12"):
        draft.save()

    assert plan_file.read_text(encoding="utf-8") == TEXT


def test_a_wrong_plan_is_not_edited(tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text("iso = 3\n", encoding="utf-8")

    with pytest.raises(PlanError, match="has no key"):
        open_draft(tmp_path / "plan.toml")
    with pytest.raises(PathMissing, match="can't be opened"):
        open_draft(tmp_path / "none.toml")


def test_mark_mode_and_line_ends_of_the_file_stay(tmp_path: Path) -> None:
    file = tmp_path / "plan.toml"
    file.write_bytes(b"\xef\xbb\xbf[camera]\r\niso = 100\r\n")
    file.chmod(0o640)

    open_draft(file).set(("camera", "iso"), 64).save()

    assert file.read_bytes() == b"\xef\xbb\xbf[camera]\r\niso = 64\r\n"
    if os.name == "posix":
        assert stat.S_IMODE(file.stat().st_mode) == 0o640


def test_a_link_to_the_plan_stays_a_link(plan_file: Path) -> None:
    link = plan_file.with_name("today.toml")
    try:
        link.symlink_to(plan_file)
    except OSError:
        pytest.skip("this system makes no links")

    open_draft(link).set(("camera", "iso"), 64).save()

    assert link.is_symlink()
    assert "iso = 64" in plan_file.read_text(encoding="utf-8")


def test_a_plan_taken_away_meanwhile_is_said(plan_file: Path) -> None:
    draft = open_draft(plan_file).set(("camera", "iso"), 64)
    plan_file.unlink()

    with pytest.raises(WrongUse, match="can't be written"):
        draft.save()

    assert isinstance(draft, Draft)
    assert not undo_file(plan_file).exists()

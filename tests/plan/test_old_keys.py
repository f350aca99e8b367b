"""Plans with the keys of before are read, it is said, and an edit writes them new."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from stopwise.cli import run
from stopwise.plan.draft import open_draft
from stopwise.plan.loading import load_plan, plan_of_text

if TYPE_CHECKING:
    from pathlib import Path

OLD = """schema = 1
[[light]]
name = "apart"  # a lamp may be called so
power = "7.0 of 10"
scale = "of 10"
[[light]]
name = "sheet"
[[patch]]
name = "hair"
box = [0.4, 0.1, 0.5, 0.2]
[[patch]]
name = "coat"
box = [0.4, 0.6, 0.5, 0.7]
[[apart]]  # apart from the coat
lighter = "hair"
darker = "coat"
at_least = 0.7
[frames.sheet]
sheet = "sheet.dng"
"apart" = "F0002.dng"
"""
NEW = (
    OLD.replace("[[apart]]", "[[separation]]")
    .replace("[frames.sheet]", "[frames.white_card]")
    .replace('scale = "of 10"', 'scale = "figure"')
)


def test_an_old_plan_is_the_new_one() -> None:
    plan = plan_of_text(OLD)
    new = plan_of_text(NEW)

    assert plan.model_dump() == new.model_dump()
    assert plan.separations[0].at_least == 0.7
    assert plan.frames.white_card == {"sheet": "sheet.dng", "apart": "F0002.dng"}
    assert plan.lights[0].power_shown(-3.0) == "7.0 of 10"
    assert [(one.line, one.new) for one in plan.old_keys] == [
        (5, 'scale = "figure"'),
        (14, "[[separation]]"),
        (18, "[frames.white_card]"),
    ]
    assert new.old_keys == ()


@pytest.mark.parametrize(
    "frames",
    [
        'frames = { sheet = { key = "a.dng" } }',
        '[frames]\nsheet = { key = "a.dng" }',
        '[frames]\nsheet.key = "a.dng"',
        'frames.sheet.key = "a.dng"',
        '[frames]\n"sheet" = { key = "a.dng" }',
        '[ frames . "sheet" ]\nkey = "a.dng"',
    ],
)
def test_an_old_key_is_read_however_toml_lays_it_out(frames: str) -> None:
    lamp = '[[light]]\nname = "key"\n'
    text = f"{frames}\n{lamp}" if frames.startswith("frames") else f"{lamp}{frames}\n"
    assert plan_of_text(text).frames.white_card == {"key": "a.dng"}


def test_a_fault_under_an_old_key_is_told_with_its_line() -> None:
    with pytest.raises(Exception, match=r'plan.toml:16: .*no patch "cot"'):
        plan_of_text(OLD.replace('darker = "coat"', 'darker = "cot"'))


def test_any_edit_writes_the_new_names_and_keeps_the_comments(tmp_path: Path) -> None:
    file = tmp_path / "plan.toml"
    file.write_text(OLD, encoding="utf-8")
    open_draft(file).set(("title",), "x").save()

    assert file.read_text(encoding="utf-8") == NEW.replace("schema = 1", 'schema = 1\ntitle = "x"')
    assert load_plan(file).old_keys == ()


def test_it_is_said_by_the_check_and_by_a_command_that_reads_the_plan(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "plan.toml"
    file.write_text(OLD, encoding="utf-8")
    run(["plan", "check", str(file)])
    said = "plan.toml:14: [[apart]] is [[separation]] now. It is read, and the next edit writes"

    assert said in capsys.readouterr().out
    run(["check", str(tmp_path / "none.dng"), "--plan", str(file)])
    assert capsys.readouterr().err.count(said) == 1


@pytest.mark.parametrize(
    ("top", "shown"), [(10, "7.0 of 10"), (7, "4.0 of 7"), (12.5, "9.5 of 12.5")]
)
def test_a_dial_of_figures_has_any_top(top: float, shown: str) -> None:
    """1 less on the dial is 1 stop less, whatever it reads at full power."""
    text = f'[[light]]\nname = "key"\npower = "{shown}"\nscale = "figure"\nfull_reads = {top}\n'
    light = plan_of_text(text).lights[0]

    assert (light.power, light.power_shown(-3.0)) == (-3.0, shown)

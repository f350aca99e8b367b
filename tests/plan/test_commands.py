"""The commands `plan` and `stops` from the command line: words, files and exit codes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from stopwise.cli import run
from stopwise.cli.plan_commands import plan as plan_command

if TYPE_CHECKING:
    from pathlib import Path

WRONG = '[[light]]\nname = "key"\nmeter = 8.3\ndistanse = 2\n'
DOUBTFUL = '[camera]\nshutter = "1/250"\nsync_speed = 200\n[[light]]\nname = "key"\n'


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "plan.toml"


def test_a_five_lamp_plan_is_one_command(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    names = ("key", "fill", "hair", "rim", "kicker")
    lamps = [f"--light={name}; meter=8; power=-2" for name in names]

    assert run(["plan", "new", str(file), "--iso", "100", "--f-number", "8", *lamps]) == 0
    assert run(["plan", "check", str(file)]) == 0

    assert "5 lamps; no warnings." in capsys.readouterr().out


def test_an_interview_on_the_terminal_writes_a_plan(file: Path) -> None:
    answers = "\n".join(["Fencer", "100", "f/11", "160", "200", *[""] * 12])

    result = CliRunner().invoke(plan_command, ["new", str(file)], input=answers)

    assert result.exit_code == 0
    assert 'title = "Fencer"' in file.read_text(encoding="utf-8")


def test_an_interview_that_is_broken_off_writes_what_was_answered(file: Path) -> None:
    answers = "Fencer\n100\nf/11\n160\n200\nkey\nsnoot"

    result = CliRunner().invoke(plan_command, ["new", str(file)], input=answers)

    assert result.exit_code == 1
    assert f"Wrote {file} with what was answered." in result.output
    written = file.read_text(encoding="utf-8")
    assert 'name = "key"' in written
    assert 'modifier = "snoot"' in written


def test_a_wrong_plan_ends_with_2_and_its_lines(
    file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file.write_text(WRONG, encoding="utf-8")

    assert run(["plan", "check", str(file)]) == 2

    told = capsys.readouterr()
    assert told.out == ""
    assert "plan.toml:3: " in told.err
    assert "plan.toml:4: " in told.err
    assert "Did you mean `distance`?" in told.err


@pytest.mark.parametrize(("options", "code"), [([], 0), (["--strict"], 2)])
def test_warnings_fail_only_when_they_are_meant_to(
    options: list[str], code: int, file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file.write_text(DOUBTFUL, encoding="utf-8")

    assert run(["plan", "check", str(file), *options]) == code
    assert "plan.toml:2: The shutter at 1/250 s" in capsys.readouterr().out


def test_a_floor_is_drawn_beside_the_plan(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file.write_text(DOUBTFUL, encoding="utf-8")

    assert run(["plan", "draw", str(file)]) == 0

    drawn = file.with_name("plan-floor.png")
    assert drawn.read_bytes().startswith(b"\x89PNG")
    assert str(drawn) in capsys.readouterr().out


def test_a_patch_is_placed_and_undone(file: Path) -> None:
    file.write_text(DOUBTFUL, encoding="utf-8")
    place = ["plan", "patch", "lit cheek", "--plan", str(file), "--box", ".5,.4,.6,.5"]

    assert run([*place, "--material", "skin", "--lit-by", "key"]) == 0
    assert 'lit_by = ["key"]' in file.read_text(encoding="utf-8")
    assert run(["plan", "undo", str(file)]) == 0
    assert file.read_text(encoding="utf-8") == DOUBTFUL


@pytest.mark.parametrize(
    "arguments",
    [
        ["plan", "check", "none.toml"],
        ["plan", "draw", "none.toml"],
        ["plan", "patch", "a", "--plan", "none.toml"],
        ["plan", "undo", "none.toml"],
        ["grey", "none.dng", "--plan", "none.toml", "--box", "0,0,1,1"],
        ["grey", "none.dng", "--plan", "none.toml"],
        ["mark", "none.dng", "grey", "--plan", "none.toml"],
        ["stops", "add", "8.3"],
        ["stops", "ratio", "bright"],
        ["stops"],
    ],
    ids=" ".join,
)
def test_wrong_use_ends_with_2_and_a_sentence(
    arguments: list[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)

    assert run(arguments) == 2

    told = capsys.readouterr().err
    assert "Traceback" not in told
    assert told.strip()


@pytest.mark.parametrize("name", list(plan_command.commands))
def test_every_command_has_help_with_an_example(name: str) -> None:
    shown = CliRunner().invoke(plan_command, [name, "--help"]).output

    assert "Example: stopwise plan" in shown

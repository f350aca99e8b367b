"""What the terminal prints: one line a frame, plain where there is no terminal, never steered."""

from __future__ import annotations

import io
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.console import Console

from stopwise.conditions import condition
from stopwise.report.facts import unseen
from stopwise.report.terminal import Style, Tally, Terminal, frame_line, frame_text, summary_line
from support.made_records import finding, patch, record, turned, unreadable

KEY_HOT = record("off plan", finding("patch", "over", "lit cheek", 6.9, 6.5, **turned("key", -0.4)))
ESCAPE = "\x1b[2J\x1b]0;owned\x07"
HOSTILE = [
    "line\nbreak.dng",
    f"{ESCAPE}.dng",
    "[red]bold[/red].dng",
    "right\u202eto left.dng",
    "null\x00.dng",
    "half\ud800.dng",
]


def printed(console_width: int = 80, *, terminal: bool = False, encoding: str = "utf-8") -> Console:
    target = io.TextIOWrapper(io.BytesIO(), encoding=encoding, newline="")
    return Console(
        file=target,
        force_terminal=terminal,
        width=console_width,
        markup=False,
        highlight=False,
        legacy_windows=False,
        _environ={},
    )


def output(console: Console) -> str:
    target = console.file
    assert isinstance(target, io.TextIOWrapper)
    target.flush()
    raw = target.buffer
    assert isinstance(raw, io.BytesIO)
    return raw.getvalue().decode(target.encoding)


def test_a_frame_is_one_line_with_verdict_file_what_and_what_to_do() -> None:
    line = " ".join(frame_line(KEY_HOT).plain.split())
    assert line == "◆ off plan F0012.dng Key 0.4 high. Lit cheek 0.4 over. Key down 0.4, to -2.4."


def test_lines_of_frames_stand_in_columns() -> None:
    frames = [KEY_HOT, record("can't tell"), unreadable(), record("measured", file="x" * 90)]
    starts = {frame_line(frame).plain.index(frame.headline[0]) for frame in frames}
    assert len(starts) == 1


def test_a_long_path_keeps_its_end_where_the_number_is() -> None:
    line = frame_line(record(file="day one/look two/third set/F0012.dng")).plain
    assert "F0012.dng" in line
    assert "day one" not in line


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_file_name_is_shown_as_text_only(name: str) -> None:
    with Terminal(console=printed()) as terminal:
        terminal.frame(record(file=name))
        terminal.file(record(file=name))
    lines = output(terminal.console).splitlines()
    assert all(line.isprintable() for line in lines)
    assert lines[0].startswith("● on plan")


def test_markup_in_a_name_stays_as_it_is() -> None:
    terminal = Terminal(console=printed())
    terminal.frame(record(file="[red]x[/red].dng"))
    assert "[red]x[/red].dng" in output(terminal.console)


def test_what_is_no_terminal_gets_no_escape_and_no_line_is_cut() -> None:
    with Terminal(console=printed(40)) as terminal:
        terminal.frame(KEY_HOT)
    text = output(terminal.console)
    assert "\x1b" not in text
    assert "Key down 0.4, to -2.4.\n" in text


def test_a_terminal_gets_colour_and_each_frame_keeps_to_its_row() -> None:
    with Terminal(console=printed(60, terminal=True)) as terminal:
        terminal.frame(KEY_HOT)
    assert "\x1b[" in output(terminal.console)
    assert cell_len(frame_line(KEY_HOT, style=terminal.style).plain) <= 60


def test_a_terminal_without_unicode_gets_marks_in_ascii_and_names_spelled_out() -> None:
    with Terminal(console=printed(encoding="ascii")) as terminal:
        terminal.frame(record("off plan", finding("patch", "over", "é", 6.9, 6.5), file="é" * 40))
    text = output(terminal.console)
    assert text.startswith("X off plan")
    assert "\\xe9" in text


@given(st.text(min_size=1, max_size=60), st.integers(1, 120), st.booleans())
def test_no_name_makes_a_line_wider_than_asked(name: str, width: int, glyphs: bool) -> None:
    line = frame_line(record(file=name), style=Style(glyphs=glyphs, width=width))
    assert cell_len(line.plain) <= width
    assert line.plain.isprintable()


@given(st.text(max_size=60))
def test_every_name_takes_the_same_columns(name: str) -> None:
    whole = frame_line(record(file=name)).plain
    assert cell_len(whole) == cell_len(frame_line(record(file="a")).plain)


def test_the_summary_counts_verdicts_and_names_what_was_called_most() -> None:
    tally = Tally()
    for frame in (KEY_HOT, KEY_HOT, record(), record("can't tell"), unreadable()):
        tally.add(frame)
    assert summary_line(tally).plain == (
        "5 frames: 1 on plan, 2 off plan, 1 can't tell, 1 unreadable. Called most: lit cheek (2)."
    )


def test_the_summary_is_the_last_line_with_and_without_a_terminal() -> None:
    for terminal in (True, False):
        with Terminal(console=printed(terminal=terminal)) as shown:
            shown.frame(KEY_HOT)
            shown.frame(record())
        last = output(shown.console).splitlines()[-1]
        assert "2 frames: 1 on plan, 1 off plan." in last


def test_nothing_shot_leaves_no_summary() -> None:
    with Terminal(console=printed()) as terminal:
        pass
    assert output(terminal.console) == ""


def test_a_files_full_text_tells_every_finding_patch_and_figure() -> None:
    text = frame_text(KEY_HOT).plain
    for words in (
        "◆ off plan  F0012.dng",
        "◆ fails        Lit cheek 0.4 over. Key down 0.4, to -2.4.",
        "white jacket",
        "ISO 100, f/11, 1/160",
        "2.1 stops, 4.3:1, lit cheek to shadow cheek",
        "IV 34 %",
    ):
        assert words in text


def test_the_full_text_of_an_unreadable_file_says_why_and_no_figure() -> None:
    assert frame_text(unreadable()).plain == (
        "× unreadable  F0012.dng\n  The file is cut short.\n  Wait, or copy it again."
    )


def test_black_that_its_margins_gainsay_is_said_beside_the_levels() -> None:
    levels = replace(record().levels, why={"black": "black_off"})
    told = frame_text(record("measured", levels=levels)).plain
    assert "black isn't that of its masked margins" in told
    assert "margins" not in frame_text(record("measured")).plain


def test_why_figures_are_absent_is_told_once_with_what_it_holds_for() -> None:
    dark = patch(None, (0.1, 0.1, 0.2, 0.2), why={"zone": "other_camera"})
    told = unseen(record("can't tell", patches={"a": dark, "b": dark}))
    assert told == [("Not seen", f"a, b: {condition('other_camera').short}")]
    assert unseen(record()) == []

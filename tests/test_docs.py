"""Docs stay true: commands, options, files, tests, keys and links that they name are there."""

from __future__ import annotations

import ast
import importlib.util
import re
import shlex
from pathlib import Path

import click
import pytest

from stopwise.cli import commands
from stopwise.record import record_from_json
from write_docs import PAGES as MADE

ROOT = Path(__file__).parents[1]
PAGES = {
    path.relative_to(ROOT).as_posix(): path.read_text(encoding="utf-8")
    for path in (
        ROOT / "README.md",
        ROOT / "DEVELOPERS.md",
        ROOT / "sample_frames" / "README.md",
        *sorted((ROOT / "docs").glob("*.md")),
    )
}
NAMES = sorted(PAGES)


def said_in(text):
    """Return what a page says in code: its spans and the lines of its blocks, lines joined."""
    text = text.replace("\\\n", " ")
    fenced = re.findall(r"^```\w*\n(.*?)^```", text, re.MULTILINE | re.DOTALL)
    rest = re.sub(r"^```\w*\n.*?^```", "", text, flags=re.MULTILINE | re.DOTALL)
    lines = [line for block in fenced for line in block.splitlines()]
    lines += re.findall(r"^    +(\S.*)$", rest, re.MULTILINE)
    return [*lines, *re.findall(r"`([^`\n]+)`", rest)]


def command_lines(page):
    """Return the words of each line of a page that calls the program."""
    found = []
    for line in said_in(PAGES[page]):
        called = re.search(r"(?:^|/|&& |time )stopwise ([a-z].*)", line)
        if called:
            found.append(shlex.split(called[1].split(" && ")[0], comments=True))
    return found


def command_of(words):
    """Return the command that words call, and what of them is left for it."""
    context, command = click.Context(commands), commands
    while isinstance(command, click.Group) and words:
        command, words = command.get_command(context, words[0]), words[1:]
        if command is None:
            return None, words
    return command, words


def options_of(command):
    return {"-h", "--help", *(one for given in command.params for one in given.opts)} | {
        one for given in command.params for one in given.secondary_opts
    }


def all_commands(group=commands):
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        yield from all_commands(command) if isinstance(command, click.Group) else [command]


ALL_OPTIONS = {one for command in all_commands() for one in options_of(command)}


@pytest.mark.parametrize("page", NAMES)
def test_every_command_and_option_is_there(page):
    wrong = []
    for words in command_lines(page):
        command, rest = command_of(words)
        options = {word.split("=")[0] for word in rest if re.match(r"--[a-z]", word)}
        if command is None or options - options_of(command):
            wrong.append(" ".join(words))
    assert wrong == []


def test_every_command_is_shown_somewhere():
    shown = {words[0] for page in NAMES for words in command_lines(page)}
    assert set(commands.list_commands(click.Context(commands))) - shown == set()


@pytest.mark.parametrize("page", [page for page in NAMES if page != "DEVELOPERS.md"])
def test_every_option_that_is_named_alone_is_there(page):
    alone = {
        re.match(r"--[a-z-]+", said)[0]
        for said in said_in(PAGES[page])
        if re.match(r"--[a-z]", said)
    }
    theirs = {
        option
        for said in said_in(PAGES[page])
        if said.startswith(("python ", "pytest ", "figures_", "bench_"))
        for option in re.findall(r"--[a-z-]+", said)
    }
    assert alone - ALL_OPTIONS - theirs == set()


SAID = re.compile(r"^\W*(on plan|off plan) +(F00\d\d\.dng) +(.+)$", re.MULTILINE)
OF_A_RUN = {"F0013.dng", "F0018.dng", "F0022.dng"}
"""Told by frames before them, or by the look that was worn: the demo's own test holds them."""


def test_what_is_said_of_sample_frames_is_what_the_program_says(sample_records):
    shown = {found for text in PAGES.values() for found in SAID.findall(text)}
    files = sorted({file for _, file, _ in shown} - OF_A_RUN)
    assert len(files) > 5
    records = [record_from_json(sample_records[file]) for file in files]
    said = {(one.verdict, Path(one.file).name, " ".join(one.headline or ())) for one in records}
    assert {found for found in shown if found[1] not in OF_A_RUN} - said == set()


@pytest.mark.parametrize("name", sorted(MADE))
def test_pages_that_are_made_from_the_code_are_as_it_makes_them(name):
    made = (ROOT / "docs" / name).read_text(encoding="utf-8")
    assert made == MADE[name](), "run python tests/write_docs.py"


PATH = re.compile(r"(?<![\w/~.<])((?:src|tests|docs|sample_frames|\.ci)/[\w./-]*\w)")


@pytest.mark.parametrize("page", NAMES)
def test_every_file_that_is_named_is_there(page):
    named = {path for said in said_in(PAGES[page]) for path in PATH.findall(said)}
    assert [path for path in sorted(named) if not (ROOT / path).exists()] == []


@pytest.mark.parametrize("page", NAMES)
def test_every_link_leads_somewhere(page):
    text, here = PAGES[page], (ROOT / page).parent
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        file, _, part = target.partition("#")
        if "://" in target:
            continue
        there = (here / file).resolve() if file else ROOT / page
        assert there.exists(), target
        if part:
            titles = re.findall(r"^#+ (.+)$", there.read_text(encoding="utf-8"), re.MULTILINE)
            slugs = {re.sub(r"[^\w\- ]", "", title.lower()).replace(" ", "-") for title in titles}
            assert part in slugs, target


@pytest.mark.parametrize("page", NAMES)
def test_every_test_that_is_named_by_a_word_is_there(page):
    for said in said_in(PAGES[page]):
        called = re.search(r"pytest (?:-\S+ )*(tests/\S+).* -k (\w+)", said)
        if called:
            text = (ROOT / called[1]).read_text(encoding="utf-8")
            assert re.search(rf"def test_\w*{called[2]}", text), said


def test_developers_md_names_modules_that_are_there():
    named = re.findall(r"`((?:\w+/)?\w+\.(?:py|html|md|toml))`", PAGES["DEVELOPERS.md"])
    homes = (ROOT, ROOT / "src" / "stopwise", ROOT / "tests", ROOT / "tests" / "golden")
    assert named
    assert [one for one in named if not any((home / one).exists() for home in homes)] == []


OLD = re.compile(
    r"--board|--leaf|\[\[apart\]\]|\"of 10\"|\bframes\.sheet\b|\bwish(es)?\b|\bcall lines?\b"
    r"|\bintake\b|\bjudging/|\bassessing\b|\bmeasuring/|\btakes/|\blights/|\bheaps?\b|\bhumps?\b"
    r"|\bhushed\b|\bother stuff\b|\bsame stuff\b",
    re.IGNORECASE,
)


@pytest.mark.parametrize("page", NAMES)
def test_names_of_before_are_gone(page):
    found = [line for line in PAGES[page].splitlines() if OLD.search(line)]
    assert found == []


def test_scripts_that_no_test_runs_import_what_is_there():
    wrong = []
    for path in [
        *ROOT.glob("tests/bench/*.py"),
        *ROOT.glob("tests/*/*.py"),
        *ROOT.glob(".ci/*.py"),
    ]:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("stopwise"):
                home = importlib.import_module(node.module)
                for one in node.names:
                    is_there = hasattr(home, one.name) or importlib.util.find_spec(
                        f"{node.module}.{one.name}"
                    )
                    wrong += [] if is_there else [f"{path.name}: {node.module}.{one.name}"]
    assert wrong == []


@pytest.mark.slow
@pytest.mark.parametrize(
    ("room", "names"),
    [
        ("lamps", r"lamps-\w+\.jpg"),
        ("measurement", r"measuring-\w+\.png"),
        ("report", r"(slip|compare|tried|sheet)\.jpg"),
    ],
)
def test_pictures_of_pages_can_be_drawn_anew(monkeypatch, tmp_path, request, room, names):
    """Each is drawn into a folder of its own, and a page shows it."""
    drawer = importlib.import_module(f"{room}.draw_docs")
    monkeypatch.setattr(drawer, "DOCS", tmp_path)
    drawn_of = {"checked": lambda: request.getfixturevalue("checked_samples")}
    drawer.main(**(drawn_of if room == "report" else {}))
    drawn = {path.name for path in tmp_path.iterdir()}
    assert drawn
    here = {path.name for path in (ROOT / "docs").iterdir()}
    assert drawn == {name for name in here if re.fullmatch(names, name)}
    shown = set(re.findall(r"!\[.+?\]\((?:docs/)?([\w.-]+)\)", "\n".join(PAGES.values())))
    assert drawn <= shown


def test_what_developers_md_shows_as_added_stands_in_the_code():
    (diff,) = re.findall(r"^```diff\n(.*?)^```", PAGES["DEVELOPERS.md"], re.MULTILINE | re.DOTALL)
    parts = re.findall(r"^--- (\S+).*\n((?:\+.*\n)+)", diff, re.MULTILINE)
    assert len(parts) == 3
    for file, added in parts:
        code = (ROOT / file).read_text(encoding="utf-8")
        assert [line for line in added.splitlines() if line[1:] not in code] == [], file


def test_the_day_is_one_page():
    """Six hundred words with their tables are a printed page (common practice: 500 to 600)."""
    assert len(PAGES["docs/the-day.md"].split()) <= 600

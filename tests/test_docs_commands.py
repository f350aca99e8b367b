"""Every command that a page shows is typed, and what it shows of the answer is what comes."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from stopwise.plan.loading import plan_of_text
from support.docs_blocks import Home, blocks_of, is_shown
from write_docs import PAGES as MADE

ROOT = Path(__file__).parents[1]
WRITTEN = {
    path.relative_to(ROOT).as_posix(): path.read_text(encoding="utf-8")
    for path in (ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md")))
    if path.name not in MADE or path.parent == ROOT
}
"""The pages that people write: README.md and docs, but for those that are made from the code."""

BLOCKS = {page: blocks_of(text) for page, text in WRITTEN.items()}
GATE = re.compile(r"^python3 -m venv .venv && ")
"""The gate runs these two itself, as they stand in the README: `.ci/run`."""

MOST_WORDS = 9000


def test_all_pages_together_can_be_read():
    """A word is anything between blanks that holds a letter or a digit, in code and tables too."""
    words = {page: len(re.findall(r"\S*\w\S*", text)) for page, text in WRITTEN.items()}
    assert sum(words.values()) <= MOST_WORDS, words


def test_every_block_says_what_it_is():
    kinds = {block.kind for blocks in BLOCKS.values() for block in blocks}
    assert kinds == {"sh", "text", "toml"}
    indented = re.compile(r"\n\n {4}\S")
    assert [page for page, text in WRITTEN.items() if indented.search(text)] == []


def test_the_commands_that_make_an_environment_are_run_by_the_gate():
    gate = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    found = re.findall(r"^(## .+)\n+```sh\npython3 -m venv", WRITTEN["README.md"], re.MULTILINE)
    assert len(found) == sum(bool(GATE.match(one.text)) for one in BLOCKS["README.md"]) == 2
    assert [one for one in found if f"readme_command '{one}'" not in gate] == []


TYPED = [page for page, blocks in BLOCKS.items() if any(one.kind == "sh" for one in blocks)]


@pytest.mark.slow
@pytest.mark.parametrize("page", TYPED)
def test_the_commands_of_a_page_do_what_it_shows(page, tmp_path, sample_records, monkeypatch):
    (tmp_path / "home").mkdir()
    home = Home(tmp_path / "home", sample_records, monkeypatch)
    for block in BLOCKS[page]:
        if block.kind != "sh" or GATE.match(block.text):
            continue
        said = {line: home.types(line) for line in block.lines}
        if block.shown is not None:
            assert is_shown(home.plain(block.shown), "".join(said.values()))
        for line, words in said.items():
            if line.startswith("stopwise demo"):
                assert shown_of_the_demo() - lines_of(words) == set()


def shown_of_the_demo():
    """Return every line that is shown under no command."""
    texts = [one.text for page in BLOCKS.values() for one in page if one.kind == "text"]
    found = set().union(*map(lines_of, texts)) - {"..."}
    assert len(found) > 8
    return found


def lines_of(text):
    return {" ".join(line.split()) for line in text.splitlines()} - {""}


def test_every_plan_that_is_shown_is_one():
    plans = [one.text for blocks in BLOCKS.values() for one in blocks if one.kind == "toml"]
    assert plans
    for text in plans:
        plan_of_text(text)

"""Hostile plans: each is read or refused in one sentence, at once, whatever it holds."""

from __future__ import annotations

import os
import time
import tomllib
from typing import TYPE_CHECKING

import pytest

from stopwise.cli import run
from stopwise.errors import PathMissing, PlanError
from stopwise.plan.draft import open_draft
from stopwise.plan.kinds import MOST_BYTES, MOST_TOLD
from stopwise.plan.loading import load_plan, plan_of_text

if TYPE_CHECKING:
    from pathlib import Path

ROOM = MOST_BYTES - 1
LAMPS = "".join(f'[[light]]\nname = "l{number}"\n' for number in range(60))
NAMED = ", ".join(f'"x{number}"' for number in range(60))
PATCH = '[[patch]]\nname = "p{}"\nbox = [0, 0, 1, 1]\n'


def many(text: str, times: int = 200_000) -> str:
    """Return text over and over, as much of it as a plan has room for."""
    return (text * min(times, ROOM // len(text) + 1))[:ROOM]


PLAIN = "".join(f"a{number} = {number}\n" for number in range(40_000))

HOSTILE = {
    "200 000 dotted parts": ".".join(["a"] * 200_000) + " = 1",
    "dotted parts in a header": f"[{many('a.')[:-10]}a]",
    "dotted parts with spaces": many("a . "),
    "dotted parts in quotes": many('"a".'),
    "dotted parts in braces": "a = {" + many("b.")[:-20] + "b = 1}",
    "40 000 boxes": f"[backdrop]\nboxes = [{', '.join(['[0,0,1,1]'] * 40_000)}]",
    "boxes": f"[backdrop]\nboxes = [{','.join(['[0,0,1,1]'] * 12_000)}]",
    "3 000 patches": "".join(PATCH.format(number) for number in range(3000)),
    "patches of a look": '[[look]]\nname = "a"\n'
    + "".join(PATCH.format(n).replace("[[patch", "[[look.patch") for n in range(2000)),
    "lamps in braces": f"light = [{', '.join(['{{}}'] * 20_000)}]",
    "solos": "[frames.solo]\n" + "".join(f'k{number} = "a"\n' for number in range(8000)),
    "lamps that light patches": LAMPS
    + "".join(f"{PATCH.format(n)}lit_by = [{NAMED}]\n" for n in range(180)),
    "brackets": f"a = {many('[')[:-9]}",
    "braces": f"a = {many('{a=')[:-9]}",
    "keys": "".join(f"k{number} = 1\n" for number in range(10_000)),
    "tables": "".join(f"[k{number}]\n" for number in range(10_000)),
    "old keys": many("[[apart]]\n"),
    "old scales": many("[[light]]\nname = 'a'\nscale = 'of 10'\n"),
    "a string without an end": many('a = """') + many('\\"""')[: ROOM // 2],
    "strings without an end": many('"""\\'),
    "quotes": many('"'),
    "spaces": "k = x" + many(" ")[:-9] + '"',
    "spaces in a key": "k" + many(" ")[: ROOM // 2] + "b" + many(" ")[: ROOM // 3] + "= 1",
    "a reading of spaces": f'[camera]\nf_number = "1{many(" ")[:-40]}x"',
    "a reading of words": f'[camera]\nshutter = "{many("and ")[:-40]}"',
    "words": many("a b "),
    "equals signs": many("a="),
    "digits": f"a = {many('1')[:-9]}",
    "a long name": f"{many('a')[:-9]} = 1",
}


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_a_hostile_plan_is_refused_at_once(text: str, tmp_path: Path) -> None:
    """Within 15 times what plain TOML takes to be parsed now: 0.8 s where that takes 0.055 s.

    Both in this process's own time, one after the other: what the machine does besides falls out.
    """
    file = tmp_path / "plan.toml"
    file.write_text(text, encoding="utf-8")
    began = time.process_time()
    tomllib.loads(PLAIN)
    parsed = time.process_time()

    with pytest.raises(PlanError, match=r"plan\.toml:\d+: ") as refused:
        load_plan(file)

    assert time.process_time() - parsed < 15.0 * (parsed - began)
    assert len(refused.value.problems) <= MOST_TOLD + 1
    assert all(len(one) < 3000 for one in refused.value.problems)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (".".join(["a"] * 9) + " = 1", None),
        (".".join(["a"] * 10) + " = 1", "too deep in each other: 8 is the most"),
        ("".join(PATCH.format(number) for number in range(60)), None),
        ("".join(PATCH.format(number) for number in range(61)), "takes 60 at most"),
        (f"[backdrop]\nboxes = [{', '.join(['[0,0,1,1]'] * 100)}]", None),
        (f"[backdrop]\nboxes = [{', '.join(['[0,0,1,1]'] * 101)}]", "takes 100 at most"),
        (LAMPS, None),
        (LAMPS + '[[light]]\nname = "one more"', "takes 60 at most"),
    ],
)
def test_each_bound_holds_where_it_is_said_to(text: str, words: str | None) -> None:
    told = ""
    try:
        plan_of_text(text)
    except PlanError as refused:
        told = str(refused)
    assert words in told if words else "most" not in told


def test_after_many_mistakes_it_says_that_there_are_more() -> None:
    text = "[camera]\n" + "".join(f"k{number} = 1\n" for number in range(30))
    with pytest.raises(PlanError) as refused:
        plan_of_text(text)

    assert len(refused.value.problems) == MOST_TOLD + 1
    last = refused.value.problems[-1]
    assert last == "plan.toml:21: there are more mistakes than these. Mend these first."


def test_what_is_no_file_is_refused_without_being_opened(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A pipe would hang whoever opens it; a device may do anything."""
    if not hasattr(os, "mkfifo"):
        pytest.skip("the system has no named pipes")
    pipe = tmp_path / "plan.toml"
    os.mkfifo(pipe)
    for file in (pipe, "/dev/zero", "/dev/tty"):
        with pytest.raises(PathMissing, match="is a pipe or a device and no file"):
            load_plan(file)
    with pytest.raises(PathMissing, match="is a folder"):
        load_plan(tmp_path)
    with pytest.raises(PathMissing, match="is a pipe"):
        open_draft(pipe)

    assert run(["plan", "check", str(pipe)]) == 2
    assert "is a pipe or a device" in capsys.readouterr().err

"""What is kept of the sample frames: each part's answers, as the commands give them today.

Everything is asked for through the command line, so that the inside can be drawn anew under it.
"""

from __future__ import annotations

import contextlib
import io
import json
import re
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stopwise.cli import run
from support.checked import ALL, PLAN, SAMPLES, check_samples
from support.set_day import on_set

if TYPE_CHECKING:
    from collections.abc import Callable

    from support.set_day import SetDay

UNPLANNED = ("F0001.dng", "F0009.dng", "F0011.dng")
LOOKS = {"F0009.dng": "in black", "F0018.dng": "in black", "F0019.dng": "upright"}
PAIRS = {
    "the key turned down, as was said": ("F0009.dng", "F0011.dng", "--turned", "key=-0.8"),
    "the hair lamp out": ("F0011.dng", "F0012.dng"),
    "the head turned, no lamp": ("F0011.dng", "F0017.dng", "--turned", ""),
}
WORN = {"F0018.dng": "in black", "F0019.dng": "upright", "F0020.dng": "none"}
"""What is said to the watch before a frame lands."""
AWAITED = ("ambient", "plate", "key", "fill", "hair", "paper left", "paper right")
SAID = {"F0010.dng": "key -1.5", "F0011.dng": "key +0.7", "F0013.dng": "paper right +0.5"}
"""The turn that begins a take, before a frame lands."""


def frames(_: Path) -> dict[str, Any]:
    """Return each sample frame's record under its plan."""
    return as_kept(check_samples()["records"])


def unplanned(_: Path) -> dict[str, Any]:
    """Return records of a card, a blown and a good frame without a plan."""
    return _checked(UNPLANNED)


def looks(_: Path) -> dict[str, Any]:
    """Return records under a look, one of a frame that wears another."""
    found: dict[str, Any] = {}
    for name, look in LOOKS.items():
        found |= _checked([name], "--plan", str(PLAN), "--look", look)
    return found


def dial(_: Path) -> dict[str, Any]:
    """Return the powers that meet the plan, a look, and the plan with a lamp kept."""
    asked: dict[str, tuple[str, ...]] = {
        "plan": (),
        "in black": ("--look", "in black"),
        "fill kept": ("--keep", "fill"),
    }
    return {what: _asked("dial", "--plan", str(PLAN), *more)[0] for what, more in asked.items()}


def compared(_: Path) -> dict[str, Any]:
    """Return what changed between frames, said and not said."""
    answers = {}
    for what, (before, after, *more) in PAIRS.items():
        pair = [str(SAMPLES / before), str(SAMPLES / after)]
        answers[what] = _asked("compare", *pair, "--plan", str(PLAN), *more)[0]
    return answers


def day(stage: Path) -> dict[str, Any]:
    """Return the demo's day: every sample frame lands under the plan, each in its look."""
    plan = re.sub(r'"(F\d+\.dng)"', r'"shoot/\1"', PLAN.read_text(encoding="utf-8"))
    with on_set(stage, plan, with_workers=True) as shoot:
        for name in ALL:
            if name in WORN:
                _say(shoot, "look", WORN[name])
            shoot.lands((SAMPLES / name).read_bytes(), name)
    return _told(shoot)


def said_day(stage: Path) -> dict[str, Any]:
    """Return a day that begins without the plan's own frames: parts awaited, turns said."""
    plan = re.sub(
        r"\[frames\].*?(?=\[set\])", "", PLAN.read_text(encoding="utf-8"), flags=re.DOTALL
    )
    with on_set(stage, plan, with_workers=True) as shoot:
        _say(shoot, "expect", ", ".join(AWAITED))
        for name in ALL[1:17]:
            if name in SAID:
                _say(shoot, "take", SAID[name])
            shoot.lands((SAMPLES / name).read_bytes(), name)
    return _told(shoot) | {"marked": _marked(shoot.plan)}


def as_kept(records: dict[str, Any]) -> dict[str, Any]:
    """Return printed records as they are kept, without what differs by machine."""
    return {name: _plain(record) for name, record in records.items()}


PARTS: dict[str, Callable[[Path], dict[str, Any]]] = {
    "frames": frames,
    "unplanned": unplanned,
    "looks": looks,
    "dial": dial,
    "compared": compared,
    "day": day,
    "said_day": said_day,
}


def _checked(names: tuple[str, ...] | list[str], *options: str) -> dict[str, Any]:
    return _by_name(_asked("check", *(str(SAMPLES / name) for name in names), *options))


def _told(shoot: SetDay) -> dict[str, Any]:
    """Return the ledger's records of a day, and how its takes ran."""
    place = ("--ledger", str(shoot.ledger))
    runs = _asked("run", "--all", "--plan", str(shoot.plan), *place)
    records = _by_name(_asked("ledger", "export", *place))
    kept = {
        name: {key: record[key] for key in _OF_THE_DAY if key in record}
        for name, record in records.items()
    }
    return {"records": kept, "runs": runs}


_OF_THE_DAY = ("verdict", "reason", "take", "look", "in_run", "level", "lamps", "findings")
"""What a day adds to a frame's record; the rest is as `frames` keeps it."""


def _marked(plan: Path) -> dict[str, Any]:
    """Return what the day wrote into the plan."""
    return dict(tomllib.loads(plan.read_text(encoding="utf-8"))["frames"])


def _say(shoot: SetDay, *words: str) -> None:
    """Type a command to the watch, unheard."""
    with contextlib.redirect_stdout(io.StringIO()):
        assert shoot.say(*words) == 0, words


def _asked(*words: str) -> list[dict[str, Any]]:
    """Return what a command prints in JSON."""
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed), contextlib.redirect_stderr(io.StringIO()):
        code = run([*words, "--json"])
    assert code != 2, words
    return [_plain(json.loads(line)) for line in printed.getvalue().splitlines()]


def _by_name(records: list[dict[str, Any]]) -> dict[str, Any]:
    return {record["file"]: record for record in records}


def _plain(node: Any, key: str = "") -> Any:
    """Return an answer without the times and folders of a machine, its findings by name."""
    if isinstance(node, dict):
        return {name: _plain(part, name) for name, part in node.items() if name != "timing_ms"}
    if isinstance(node, list):
        named = key == "findings" and {f"{one['check']}: {one['of']}": _plain(one) for one in node}
        return {"order": list(named), **named} if named else [_plain(part) for part in node]
    return Path(node).name if key in _FILES and isinstance(node, str) else node


_FILES = ("file", "before", "after")

"""From a plan file to a Plan, or to sentences that say line by line what is wrong with it."""

from __future__ import annotations

import os
import re
import stat
import tomllib
from itertools import islice
from pathlib import Path as File
from typing import TYPE_CHECKING

from pydantic import ValidationError

from stopwise.errors import PathMissing, PlanError, refusal
from stopwise.plan.faults import cross_faults, model_fault
from stopwise.plan.model import OldKey, Plan
from stopwise.plan.places import PlanText, find_places, short, too_deep_at
from stopwise.plan.plan_bounds import MOST_BYTES, MOST_DEPTH, MOST_TOLD

if TYPE_CHECKING:
    from collections.abc import Iterator

    from stopwise.plan.faults import Fault


def load_plan(path: str | File) -> Plan:
    """Read a plan file.

    Parameters
    ----------
    path
        A TOML file.

    Returns
    -------
    Plan
        Checked: every name that it uses stands for something.

    Raises
    ------
    PathMissing
        If the file isn't there or can't be opened.
    PlanError
        If anything in it is wrong, with every mistake that was found: ``plan.toml:12: ...``.
    """
    plan = plan_in(read_text(path))
    plan._folder = File(path).absolute().parent  # noqa: SLF001  no key of the plan
    return plan


def plan_of_text(text: str, name: str = "plan.toml") -> Plan:
    """Read a plan from text; `name` is what messages call it.

    Raises
    ------
    PlanError
        If anything in it is wrong.
    """
    return plan_in(text_of(text, name))


def plan_in(source: PlanText) -> Plan:
    """Check the values of a plan's text.

    Raises
    ------
    PlanError
        If a key, type, value, range or name is wrong.
    """
    plan, faults = checked(source)
    if plan is None or faults:
        told = source.lines((fault.path, fault.say) for fault in faults[:MOST_TOLD])
        if len(faults) > MOST_TOLD:
            place = ":".join(told[-1].split(":")[:2])
            told.append(f"{place}: there are more mistakes than these. Mend these first.")
        raise PlanError(*told)
    return plan


def checked(source: PlanText) -> tuple[Plan | None, list[Fault]]:
    """Return the plan as far as its values can be read, and what is wrong with it.

    No more than a few mistakes are looked for: one more than is told at once.
    """
    try:
        plan = Plan.model_validate(source.data, by_alias=True, by_name=False)
    except ValidationError as error:
        found = error.errors(include_url=False)[: MOST_TOLD + 1]
        return None, [model_fault(one, source) for one in found]
    return plan.with_old_keys(source.old_keys), list(islice(cross_faults(plan), MOST_TOLD + 1))


def read_text(path: str | File) -> PlanText:
    """Read a plan file as TOML.

    Raises
    ------
    PathMissing
        If there is no such file, or it can't be opened.
    PlanError
        If it isn't a text that TOML can read.
    """
    file = File(path)
    return text_of(decode_text(read_bytes(file), file.name), file.name)


def read_bytes(file: File, *, most: int = MOST_BYTES) -> bytes:
    """Return what a plan file holds, a byte more than it may have at most.

    Raises
    ------
    PathMissing
        If there is no such file, or it can't be opened.
    """
    try:
        found = read_plain(file, most + 1)
    except (OSError, ValueError) as error:
        why = refusal(error)
        msg = f"The plan {file} can't be opened: {why}. `stopwise plan new` writes one."
        raise PathMissing(msg) from None
    if found is None and file.is_dir():
        msg = f"{file} is a folder. Name the plan file in it, such as {file / 'plan.toml'}."
        raise PathMissing(msg)
    if found is None:
        msg = f"{file} is a pipe or a device and no file, so it is not read. Name a plan file."
        raise PathMissing(msg)
    return found


def read_plain(place: File, most: int) -> bytes | None:
    """Return up to so many bytes of a regular file, None where something else lies there.

    That is never opened: a pipe would hang, and a device may do anything.

    Raises
    ------
    OSError, ValueError
        If nothing lies there, or it can't be read; if no file can have that name.
    """
    if not stat.S_ISREG(place.stat().st_mode):
        return None
    with open(place, "rb", opener=_at_once) as file:
        return file.read(most) if stat.S_ISREG(os.fstat(file.fileno()).st_mode) else None


def _at_once(path: str, flags: int) -> int:
    """Open without waiting, should a pipe have been put there meanwhile."""
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


def decode_text(data: bytes, name: str) -> str:
    """Return the text of a plan file, without the mark that some editors put before it.

    Raises
    ------
    PlanError
        If it isn't UTF-8, or is far too large.
    """
    if len(data) > MOST_BYTES:
        msg = f"{name}:1: a plan has {MOST_BYTES // 1024} kB at most. Is this a plan file?"
        raise PlanError(msg)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        msg = f"{name}:{line}: this isn't UTF-8 text. Save the file as UTF-8 in your editor."
        raise PlanError(msg) from None


def text_of(text: str, name: str) -> PlanText:
    """Read TOML text.

    Parameters
    ----------
    text
        The whole file.
    name
        What messages call the file.

    Raises
    ------
    PlanError
        If TOML can't read it; the message names the line and what would be right.
    """
    if (deep := too_deep_at(text)) is not None:
        line = text.count("\n", 0, deep) + 1
        msg = (
            f"{name}:{line}: brackets or dotted names lie too deep in each other: {MOST_DEPTH} is "
            "the most, and a plan's own go three deep."
        )
        raise PlanError(msg)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise PlanError(f"{name}:{_broken(text, str(error))}") from None
    except ValueError:  # Python reads no number of thousands of digits
        lines = enumerate(text.splitlines(), 1)
        line = next((n for n, held in lines if re.search(r"[0-9]{1000}", held)), 1)
        msg = f"{name}:{line}: a number has too many digits. Write a plain one."
        raise PlanError(msg) from None
    places = find_places(text)
    if not _MAYBE_OLD.search(text):
        return PlanText(name, text, data, places)
    return _renewed(PlanText(name, text, data, places))


# --- keys of before -------------------------------------------------------------------------------

_MAYBE_OLD = re.compile(r"apart|sheet|of 10")
_OLD_KEYS = (
    (("apart",), "separation", "[[apart]]", "[[separation]]"),
    (("frames", "sheet"), "white_card", "[frames.sheet]", "[frames.white_card]"),
)


def _renewed(before: PlanText) -> PlanText:
    """Write the keys of before by their names of now, each on the line where it stands.

    Where old and new stand side by side so that the new text is none, the old one stays, for the
    model to refuse.
    """
    pieces: list[str] = []
    told: dict[tuple[str, str], int] = {}
    done = 0
    for start, end, new, key in sorted(_old_words(before)):
        pieces += [before.text[done:start], new]
        told.setdefault(key, before.text.count("\n", 0, start) + 1)
        done = end
    text = "".join([*pieces, before.text[done:]])
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return before
    old_keys = tuple(OldKey(line, *key) for key, line in told.items())
    return PlanText(before.name, text, data, find_places(text), old_keys)


def _old_words(source: PlanText) -> Iterator[tuple[int, int, str, tuple[str, str]]]:
    """Yield start, end and new word of each old key, and how old and new are called."""
    text, places = source.text, source.places
    for path, now, *called in _OLD_KEYS:
        word = re.compile(rf"(?<![\w-]){path[-1]}(?![\w-])")
        depth = len(path)
        spans = [
            (one.start, one.end)
            for one in places.statements
            if one.path[:depth] == path and (one.is_header or one.table[:depth] != path)
        ]
        place = places.by_path.get(path)
        if place and not spans:  # in braces: the word stands before the value
            spans = [(text.rindex(path[-1], 0, place.start), place.start)]
        for span in spans:
            if found := word.search(text, *span):
                yield found.start(), found.end(), now, (called[0], called[1])
    for key, place in places.by_path.items():
        is_scale = key[:1] == ("light",) and key[-1] == "scale"
        if is_scale and text[place.start + 1 : place.end - 1] == "of 10":
            yield place.start, place.end, '"figure"', ('scale = "of 10"', 'scale = "figure"')


# --- what TOML can't read -------------------------------------------------------------------------

_READ = 200  # characters of a broken line that are looked at
_PLACE_SAID = re.compile(r" \(at (?:line (\d+), column \d+|end of document)\)$")
_LONG_OPENING = re.compile(r'^[^=\n]*=\s*(\[|\{|"""|\'\'\')')
_TWICE = re.compile("overwrite|twice|mutate|already|Duplicate")
_UNQUOTED = re.compile(r"""^\s*([A-Za-z0-9_-]+)\s*=\s*([^\s"'\[{#][^"'\[{#]*?)\s*(?:#.*)?$""")


def _broken(text: str, said: str) -> str:
    """Return the line on which the broken statement begins, and what would be right."""
    found = _PLACE_SAID.search(said)
    lines = text.splitlines() or [""]
    line = int(found[1]) if found and found[1] else max(1, len(text.rstrip().splitlines()))
    broken_at = find_places(text).broken_at
    if broken_at is not None:
        began = text.count("\n", 0, broken_at) + 1
        is_long = began <= len(lines) and _LONG_OPENING.match(lines[began - 1][:_READ])
        line = began if is_long or line >= len(lines) else line
    line = min(line, len(lines))
    reason = said[: found.start()] if found else said
    stands = lines[line - 1][:_READ].strip()
    unquoted = _UNQUOTED.match(stands)
    if unquoted and not _TWICE.search(reason):
        return f"{line}: {_unquoted(unquoted[1], unquoted[2].strip('“”„‘’«» '))}"
    reason = f"{reason[:1].lower()}{reason[1:]}"
    return f"{line}: TOML can't read `{short(stands)}`: {reason}. {_right(stands, reason)}"


def _unquoted(key: str, value: str) -> str:
    said = f"`{key} = {value}`:"
    if "=" in value:
        return f"{said} each key stands on a line of its own."
    if value.lower() in ("true", "yes", "on", "false", "no", "off"):
        right = "true" if value.lower() in ("true", "yes", "on") else "false"
        return f"{said} write {key} = {right}, in small letters."
    if re.fullmatch(r"[0-9]+,[0-9]+", value):
        return f"{said} write a point for the decimal, {key} = {value.replace(',', '.')}."
    if re.fullmatch(r"[+-]?(?:\.[0-9]+|[0-9]+\.|0[0-9]+(?:\.[0-9]+)?)", value):
        return f"{said} write {key} = {float(value):g}, with digits on both sides."
    return f'{said} text stands in quotes, {key} = "{value}".'


def _right(stands: str, reason: str) -> str:
    if _TWICE.search(reason):
        return "It stands twice; keep one, and write lamps as [[light]] with two brackets."
    if stands.startswith("["):
        return "A table's header is [camera], or [[light]] for one of several."
    if "array" in reason.lower():
        return "A list closes with a bracket: box = [0.1, 0.2, 0.3, 0.4]."
    if '"' in stands or "'" in stands:
        return 'Text begins and ends with the same quotes: name = "key".'
    return 'A line is `key = value`, such as name = "key" or iso = 100.'

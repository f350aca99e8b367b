"""From a plan file to a Plan, or to sentences that say line by line what is wrong with it.

The model refuses single values; names that stand twice, or that nothing bears, are found here.
"""

from __future__ import annotations

import os
import re
import stat
import tomllib
from itertools import islice
from pathlib import Path as File
from typing import TYPE_CHECKING, NamedTuple

from pydantic import ValidationError

from stopwise.errors import PathMissing, PlanError, refusal
from stopwise.plan.keys import PLAN
from stopwise.plan.kinds import MOST_BYTES, MOST_DEPTH, MOST_TOLD
from stopwise.plan.model import BACKDROP, SINGLE_ROLES, Plan
from stopwise.plan.places import OldKey, PlanText, find_places, short, too_deep_at
from stopwise.plan.readings import nearest, which_there_is

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from pydantic_core import ErrorDetails

    from stopwise.plan.keys import PlanKey
    from stopwise.plan.model import Light, Look, MayClip, Patch
    from stopwise.plan.places import Path


class Fault(NamedTuple):
    """What is wrong with a key: its path, what is wrong and would be right, and how it stands."""

    path: Path
    what: str
    stands: str = ""

    @property
    def say(self) -> str:
        """The whole sentence."""
        return f"{self.stands}: {self.what}" if self.stands else self.what


_MEANT = {
    "aperture": "f_number",
    "ambient": "ambient_ev",
    "angle": "off_axis",
    "azimuth": "off_axis",
    "background": "backdrop",
    "brand": "pack",
    "colour": "gel",
    "f": "f_number",
    "f_stop": "f_number",
    "focal_length": "lens_mm",
    "fstop": "f_number",
    "height": "elevation",
    "lamp": "light",
    "lamps": "light",
    "lens": "lens_mm",
    "lights": "light",
    "minus": "under",
    "plus": "over",
    "reading": "meter",
    "speed": "shutter",
    "sync": "sync_speed",
    "target": "zone",
    "time": "shutter",
    "tolerance": "within",
    "white_balance": "balance",
}
"""What other words for a key most likely mean, where the table has that key."""

_CORNERS = ("x0", "y0", "x1", "y1")
_TABLE_EXPECTED = ("model_type", "tuple_type", "dict_type")
_KINDS = {
    "greater_than": "It must be above {gt}.",
    "greater_than_equal": "It must be at least {ge}.",
    "less_than": "It must be below {lt}.",
    "less_than_equal": "It must be at most {le}.",
    "string_type": "It must be text, in quotes.",
    "string_too_short": "It is empty.",
    "string_too_long": "It is longer than {max_length} letters.",
    "tuple_type": "It must be a list in brackets.",
    "model_type": "It must be a table.",
    "dict_type": "It must be a table.",
    "missing": "It is missing.",
    "too_long": "There are too many of these: a plan takes {max_length} at most.",
}
"""What each error of the model means, with the figures that it names."""


# --- what the model refuses -----------------------------------------------------------------------


def model_fault(error: ErrorDetails, source: PlanText) -> Fault:
    """Say an error of the model, as pydantic lists it, of the plan that was read."""
    path: Path = error["loc"]
    if path[:2] in (("frames", "solo"), ("frames", "white_card")):
        path = path[:3]  # a wrong name has "[key]" behind it
    where = source.table(path) or "The plan"
    if error["type"] == "extra_forbidden":
        return Fault(path, f"{where} has no key `{short(str(path[-1]))}`.{_instead(path)}")
    if error["type"] == "missing":
        if isinstance(path[-1], int):
            path = path[:-1]  # an element that is missing is the list's fault
        elif path not in source.places.by_path:
            return Fault(path[:-1], f"{where} lacks `{path[-1]}`. {_right_words(path)}")
    whole = path
    while isinstance(whole[-1], int) and not source.places.nearest(whole).is_header:
        whole = whole[:-1]
    stands = f"`{source.shown(whole)}`" + (f" in {where}" if where != "The plan" else "")
    what = _what(error, path)
    if whole != path and isinstance(error["input"], int | float | str):
        is_box = {"box", "boxes"} & set(path) and path[-1] in range(len(_CORNERS))
        which = f"{_CORNERS[int(path[-1])]} is" if is_box else "It holds"
        what = f"{which} {short(str(error['input']))}. {what}"
    is_table = error["type"] in _TABLE_EXPECTED and bool(PLAN.at(path).keys)
    is_told = is_table or error.get("ctx", {}).get("tells_right")
    return Fault(path, what if is_told else f"{what} {_right_words(path)}".rstrip(), stands)


def _instead(path: Path) -> str:
    """Say which key was likely meant by one that isn't there, or which there are."""
    key, keys = str(path[-1]), PLAN.at(path[:-1]).keys
    meant = _MEANT.get(key.lower(), "")
    meant = meant if meant in keys else nearest(key, keys) or ""
    if meant:
        return f" Did you mean `{meant if len(path) > 1 else keys[meant].header}`?"
    elsewhere = [table.header for table in PLAN.keys.values() if key in table.keys]
    return f" It belongs in {elsewhere[0]}." if elsewhere else f" It takes {', '.join(keys)}."


def _what(error: ErrorDetails, path: Path) -> str:
    """Say what is wrong with a value."""
    kind, given, context = error["type"], error["input"], error.get("ctx", {})
    key = PLAN.at(path)
    if kind in _TABLE_EXPECTED and key.keys:
        return _brackets(given, key, is_one=isinstance(path[-1], int))
    if kind == "literal_error":
        meant = nearest(given, key.words) if isinstance(given, str) else None
        ask = f' Did you mean "{meant}"?' if meant else ""
        return (
            f"It is one of {', '.join(key.words)}.{ask}" if key.words else "This version reads 1."
        )
    if kind == "plain":
        return str(context["text"])
    is_box = kind == "too_long" and context["max_length"] <= len(_CORNERS)
    if (is_box or kind in ("missing", "too_short")) and isinstance(given, list | tuple):
        if path[-1] == "boxes":
            return "It is a list of boxes, at least one."
        wanted = 2 if key.name == "range" else len(_CORNERS)
        return f"It has {len(given)} numbers where {wanted} belong."
    figures = {k: f"{v:g}" if isinstance(v, float) else v for k, v in context.items()}
    return _KINDS.get(kind, "This can't stand here.").format(**figures)


def _brackets(given: object, key: PlanKey, *, is_one: bool) -> str:
    """Explain single and double brackets, where a table stands in the wrong ones."""
    if isinstance(given, dict):
        return f"There may be several of these. Write [[{key.dotted}]] with two brackets."
    if isinstance(given, list):
        return f"There is only one of these. Write [{key.dotted}] with single brackets."
    return (
        f"This is a table. Write {f'[{key.dotted}]' if is_one else key.header} and its keys below."
    )


def _right_words(path: Path) -> str:
    key = PLAN.at(path)
    if key.example is None or isinstance(key.example, dict):
        return ""
    from tomlkit import item

    about = f" ({key.about})" if key.about else ""
    return f"Right would be {key.name} = {item(key.example).as_string()}{about}."


# --- what no single value shows -------------------------------------------------------------------

_RESERVED = ("all", "none", "yes", BACKDROP)
"""Words that commands and targets use for themselves, and so no names."""


def cross_faults(plan: Plan) -> Iterator[Fault]:
    """Yield what is wrong between the tables of a plan that is right in itself."""
    yield from _name_faults(plan)
    yield from _lamp_faults(plan)
    yield from _side_faults(plan)
    yield from _turned_faults(plan)
    lamps = [light.name for light in plan.lights]
    for table, frames in (("solo", plan.frames.solo), ("white_card", plan.frames.white_card)):
        for lamp in frames:
            yield from _unknown(lamp, lamps, "lamp", ("frames", table, lamp))
    for where, patches in _patches(plan):
        for index, patch in enumerate(patches):
            for number, lamp in enumerate(patch.lit_by):
                yield from _unknown(lamp, lamps, "lamp", (*where, index, "lit_by", number))


def _patches(plan: Plan) -> Iterator[tuple[Path, Sequence[Patch]]]:
    yield ("patch",), plan.patches
    for index, look in enumerate(plan.looks):
        yield ("look", index, "patch"), look.patches


def _name_faults(plan: Plan) -> Iterator[Fault]:
    kinds: list[tuple[str, Path, Sequence[Light | Patch | Look | MayClip], str]] = [
        ("lamp", ("light",), plan.lights, "what it does, such as key"),
        ("look", ("look",), plan.looks, 'its clothes, such as "in black"'),
        ("may_clip", ("may_clip",), plan.may_clip, ""),
    ]
    for where, patches in _patches(plan):
        kinds.append(("patch", where, patches, 'its place, such as "lit cheek"'))
    for what, where, tables, by in kinds:
        seen: dict[str, str] = {}
        for index, name in enumerate(table.name for table in tables):
            path, said = (*where, index, "name"), name.casefold()
            is_part = what == "lamp" and (said in SINGLE_ROLES or said.endswith("white card"))
            if by and (said in _RESERVED or is_part):
                say = f'A {what} can\'t be called "{name}": that word has a meaning of its own.'
                yield Fault(path, f"{say} Call it by {by}.")
            if (same := seen.setdefault(said, name)) and len(seen) <= index:
                yield Fault(
                    path, f'There is a {what} "{same}" already. Give this one its own name.'
                )


def _lamp_faults(plan: Plan) -> Iterator[Fault]:
    for index, light in enumerate(plan.lights):
        low, high = light.range
        if light.power is not None and not low - 1e-9 <= light.power <= high + 1e-9:
            say = f'power {light.power:g} of lamp "{light.name}" lies outside its range'
            say = f"{say} {low:g} to {high:g}. Change one of the two."
            yield Fault(("light", index, "power"), say)
        if light.scale == "Ws" and light.full_ws is None:
            say = f'Lamp "{light.name}" counts in watt-seconds but its full power isn\'t said.'
            yield Fault(("light", index, "scale"), f"{say} Write full_ws = 500, or what it has.")


def _side_faults(plan: Plan) -> Iterator[Fault]:
    """Find ratios and separations whose sides are no patches, or the same one."""
    shared = [patch.name for patch in plan.patches]
    every = [patch.name for _, patches in _patches(plan) for patch in patches]
    for path, ratios, own in (
        (("ratio",), plan.ratios, ()),
        *((("look", n, "ratio"), look.ratios, look.patches) for n, look in enumerate(plan.looks)),
    ):
        names = [*(patch.name for patch in own), *shared]
        for index, ratio in enumerate(ratios):
            for key in ("lit", "shadow"):
                yield from _unknown(getattr(ratio, key), names, "patch", (*path, index, key))
            if ratio.lit == ratio.shadow:
                say = f'"{ratio.lit}" is both lit and shadow. Name two patches.'
                yield Fault((*path, index, "shadow"), say)
    for index, one in enumerate(plan.separations):
        for key in ("lighter", "darker"):
            name, path = getattr(one, key), ("separation", index, key)
            if name != BACKDROP:
                yield from _unknown(name, [*every, BACKDROP][: None if plan.backdrop else -1],
                                    "patch", path)  # fmt: skip
            elif not plan.backdrop:
                say = "The plan has no [backdrop]. Write one with its boxes, or name a patch."
                yield Fault(path, say)
        if one.lighter == one.darker:
            say = f'"{one.lighter}" can\'t be apart from itself. Name two patches.'
            yield Fault(("separation", index, "darker"), say)


def _turned_faults(plan: Plan) -> Iterator[Fault]:
    """Find looks for a turned camera that are of no look, or of one that is turned itself."""
    for index, look in enumerate(plan.looks):
        path, base = ("look", index, "of"), plan.look(look.of)
        if look.of is not None and look.orientation is None:
            say = f'Look "{look.name}" is of "{look.of}" and doesn\'t say how the camera is turned.'
            yield Fault(path, f'{say} Write orientation = "upright" or "landscape", or leave `of`.')
        elif base is not None and base.orientation is not None:
            say = f'Look "{base.name}" is for a turned camera itself.'
            yield Fault(path, f"{say} Name the look as it is with the camera not turned.")
        elif look.of is not None:
            yield from _unknown(look.of, [one.name for one in plan.looks], "look", path)


def _unknown(name: str, known: Iterable[str], what: str, path: Path) -> Iterator[Fault]:
    names = list(dict.fromkeys(known))
    if name not in names:
        which = which_there_is(name, names) if names else f"It has no {what} yet."
        yield Fault(path, f'The plan has no {what} "{name}". {which}')


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

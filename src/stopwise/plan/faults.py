"""What is wrong in the form of a plan, said for a photographer: what stands there, what is right.

The model refuses single values; names that stand twice, or that nothing bears, are found here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from stopwise.plan.keys import PLAN
from stopwise.plan.model import BACKDROP, SINGLE_ROLES
from stopwise.plan.places import short
from stopwise.plan.readings import nearest, which_there_is

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from pydantic_core import ErrorDetails

    from stopwise.plan.keys import PlanKey
    from stopwise.plan.model import Light, Look, MayClip, Patch, Plan
    from stopwise.plan.places import Path, PlanText


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
            return Fault(path[:-1], f"{where} lacks `{path[-1]}`. {_right(path)}")
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
    return Fault(path, what if is_told else f"{what} {_right(path)}".rstrip(), stands)


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


def _right(path: Path) -> str:
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

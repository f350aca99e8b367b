"""What no single value shows: names that stand twice, and names that nothing bears."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.plan.source import nearest

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from stopwise.plan.model import Patch, Plan, RatioTarget
    from stopwise.plan.places import Path

BACKDROP = "backdrop"
MARKS = ("grey", "ambient", "plate", "reference")
"""Names of `[frames]` that `stopwise mark` takes beside those of lamps."""

RESERVED = ("all", "none", "yes", BACKDROP)
"""Words that commands and targets use for themselves, and so no names."""

_WHITE_CARD = " white card"


def white_card_part(lamp: str) -> str:
    """Return how the part of a lamp's white card is called: "key white card"."""
    return f"{lamp}{_WHITE_CARD}"


def white_card_lamp(part: str, plan: Plan) -> str | None:
    """Return "key" for the part "key white card"; None for another part."""
    lamp = part.removesuffix(_WHITE_CARD)
    lamps = {light.name for light in plan.lights}
    return lamp if lamp != part and lamp in lamps and part not in lamps else None


Fault = tuple["Path", str]


def cross_faults(plan: Plan) -> list[Fault]:
    """Return what is wrong between the tables of a plan that is right in itself.

    Returns
    -------
    list
        Path of the key, and what is wrong and would be right.
    """
    return [
        *_lamp_faults(plan),
        *_patch_faults(plan),
        *_look_faults(plan),
        *_separation_faults(plan),
        *_twice("may_clip", [place.name for place in plan.may_clip], ("may_clip",)),
    ]


def _lamp_faults(plan: Plan) -> Iterator[Fault]:
    lamps = [light.name for light in plan.lights]
    yield from _twice("lamp", lamps, ("light",))
    for index, light in enumerate(plan.lights):
        if light.name.casefold() in (*MARKS, *RESERVED):
            say = f'A lamp can\'t be called "{light.name}": that word has a meaning of its own.'
            yield ("light", index, "name"), f"{say} Call it by what it does, such as key or fill."
        low, high = light.range
        if light.power is not None and not low - 1e-9 <= light.power <= high + 1e-9:
            say = f'power {light.power:g} of lamp "{light.name}" lies outside its range'
            yield ("light", index, "power"), f"{say} {low:g} to {high:g}. Change one of the two."
        if light.scale == "Ws" and light.full_ws is None:
            say = f'Lamp "{light.name}" counts in watt-seconds but its full power isn\'t said.'
            yield ("light", index, "scale"), f"{say} Write full_ws = 500, or what the pack has."
    for table, named in (("solo", plan.frames.solo), ("white_card", plan.frames.white_card)):
        for name in named:
            yield from _unknown(name, lamps, "lamp", ("frames", table, name))


def _patch_faults(plan: Plan) -> Iterator[Fault]:
    names = [patch.name for patch in plan.patches]
    yield from _twice("patch", names, ("patch",))
    yield from _patch_keys(plan.patches, plan, ("patch",))
    yield from _ratio_faults(plan.ratios, names, ("ratio",))


def _look_faults(plan: Plan) -> Iterator[Fault]:
    shared = [patch.name for patch in plan.patches]
    yield from _twice("look", [look.name for look in plan.looks], ("look",))
    for index, look in enumerate(plan.looks):
        own = [patch.name for patch in look.patches]
        where = ("look", index)
        if look.name.casefold() in RESERVED:
            say = f'A look can\'t be called "{look.name}": that word has a meaning of its own.'
            yield (*where, "name"), f'{say} Call it by its clothes, such as "in black".'
        yield from _twice("patch", own, (*where, "patch"))
        yield from _patch_keys(look.patches, plan, (*where, "patch"))
        yield from _ratio_faults(look.ratios, [*own, *shared], (*where, "ratio"))


def _patch_keys(patches: Sequence[Patch], plan: Plan, where: Path) -> Iterator[Fault]:
    lamps = [light.name for light in plan.lights]
    for index, patch in enumerate(patches):
        for place, lamp in enumerate(patch.lit_by):
            yield from _unknown(lamp, lamps, "lamp", (*where, index, "lit_by", place))
        if patch.name.casefold() in RESERVED:
            say = f'A patch can\'t be called "{patch.name}": that word has a meaning of its own.'
            yield (*where, index, "name"), f'{say} Call it by its place, such as "lit cheek".'


def _ratio_faults(ratios: Sequence[RatioTarget], names: list[str], where: Path) -> Iterator[Fault]:
    for index, ratio in enumerate(ratios):
        yield from _unknown(ratio.lit, names, "patch", (*where, index, "lit"))
        yield from _unknown(ratio.shadow, names, "patch", (*where, index, "shadow"))
        if ratio.lit == ratio.shadow:
            say = f'"{ratio.lit}" is both lit and shadow. Name two patches.'
            yield (*where, index, "shadow"), say


def _separation_faults(plan: Plan) -> Iterator[Fault]:
    names = [patch.name for patch in plan.patches]
    names += [patch.name for look in plan.looks for patch in look.patches]
    names += [BACKDROP] if plan.backdrop else []
    for index, separation in enumerate(plan.separations):
        for key, name in (("lighter", separation.lighter), ("darker", separation.darker)):
            if name == BACKDROP and not plan.backdrop and BACKDROP not in names:
                say = "The plan has no [backdrop]. Write one with its boxes, or name a patch."
                yield ("separation", index, key), say
            else:
                yield from _unknown(name, names, "patch", ("separation", index, key))
        if separation.lighter == separation.darker:
            say = f'"{separation.lighter}" can\'t be apart from itself. Name two patches.'
            yield ("separation", index, "darker"), say


def _unknown(name: str, known: Iterable[str], what: str, path: Path) -> Iterator[Fault]:
    names = list(dict.fromkeys(known))
    if name in names:
        return
    meant = nearest(name, names)
    listed = f"It has {', '.join(names)}." if names else f"It has no {what} yet."
    yield (
        path,
        f'The plan has no {what} "{name}". ' + (f'Did you mean "{meant}"?' if meant else listed),
    )


def _twice(what: str, names: Sequence[str], where: Path) -> Iterator[Fault]:
    seen: dict[str, str] = {}
    for index, name in enumerate(names):
        if name.casefold() in seen:
            say = (
                f'There is a {what} "{seen[name.casefold()]}" already. Give this one its own name.'
            )
            yield (*where, index, "name"), say
        seen.setdefault(name.casefold(), name)

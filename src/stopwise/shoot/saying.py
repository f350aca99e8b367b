"""What a person says on set in words: parts, lamps, a look, turns; read against the plan."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from stopwise.errors import WrongUse
from stopwise.lamps.trial import Trial
from stopwise.plan.readings import (
    nearest,
    read_f_number,
    read_iso,
    read_length,
    read_shutter,
    read_turn,
    which_there_is,
)
from stopwise.stops import say_f_number, say_shutter

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from stopwise.plan.model import Plan
    from stopwise.stops import CameraSetting

ALL = "all"
"""What `lit` says when every lamp is meant to be lit."""

NONE = "none"
"""What `look` says for the plan's own targets."""

YES = "yes"
"""What `take` says when the turn that was asked about was made."""

_CARD = ("grey card", "card", "grey")
"""Names of a patch that says where the grey card is held."""

_SAID_OF = re.compile(  # runs are taken whole, so that the time goes with the length
    r"(?P<name>.*?[^\s=:])[\s=:]++(?P<rest>(?:up|down|at)\b\s*+\S.*|[-+−–]?\s*+[0-9.½⅓⅔¼¾].*)",
    re.IGNORECASE,
)
_MOST_SAID = 1000
"""Characters of one saying: far above any list of lamps."""

_MOST_STOPS = 12.0
"""No pack has more range than this: a larger turn was meant otherwise."""


def read_parts(said: str, plan: Plan) -> tuple[str, ...]:
    """Return the parts that the next frames play: "grey, ambient, plate, key".

    Raises
    ------
    WrongUse
        If one is neither a mark nor a lamp of the plan, or nothing is said.
    """
    known = [part.asked for part in plan.parts]
    parts = tuple(_all_named(said, known, "neither a mark nor a lamp of the plan"))
    if not parts:
        msg = f"Say what the next frames are, in order: {', '.join(known)}."
        raise WrongUse(msg)
    return parts


def read_lit(said: str, plan: Plan) -> tuple[str, ...] | None:
    """Return the lamps that are meant to be lit: "key, fill"; None for "all".

    Raises
    ------
    WrongUse
        If the plan has no such lamp, or nothing is said.
    """
    if said.strip(" ,").lower() == ALL:
        return None
    known = [light.name for light in plan.lights]
    lamps = tuple(dict.fromkeys(_all_named(said, known, "no lamp of the plan")))
    if not lamps:
        msg = f'Say which lamps are lit: {", ".join(known) or ALL}, or "{ALL}".'
        raise WrongUse(msg)
    return None if set(lamps) == set(known) else lamps


def read_look(said: str, plan: Plan) -> str | None:
    """Return the look that is worn; None for "none", the plan's own targets.

    Raises
    ------
    WrongUse
        If the plan has no such look.
    """
    known = [look.name for look in plan.looks]
    if said.strip().lower() == NONE and NONE not in known:
        return None
    return _named(said.strip(), known, "no look of the plan", else_say=" To make it, say --new.")


@dataclass(frozen=True, slots=True)
class TakeSaid:
    """What is other in a take.

    Attributes
    ----------
    turned
        Stops by lamp.
    camera
        Settings of the camera that were changed, by key of the plan: f_number, iso, shutter.
    """

    turned: dict[str, float] = field(default_factory=dict)
    camera: dict[CameraSetting, float] = field(default_factory=dict)

    @property
    def words(self) -> str:
        """It as it is said: "key -0.5, fill +0.2, f/8"."""
        camera = (_SHOWN[name](value) for name, value in self.camera.items())
        return ", ".join([*(f"{name} {stops:+g}" for name, stops in self.turned.items()), *camera])

    @property
    def shown(self) -> str:
        """The same for a person: a third of a stop is -0.33."""
        turned = {name: round(stops, 2) for name, stops in self.turned.items()}
        return replace(self, turned=turned).words


_SETTINGS: Mapping[CameraSetting, tuple[str, Callable[[str], float]]] = {
    "f_number": (r"(?:aperture\s*)?(f\s*/?\s*[0-9.].*)", read_f_number),
    "iso": (r"(iso\s*[0-9].*)", read_iso),
    "shutter": (r"shutter\s*([0-9].*)", read_shutter),
}
"""How each setting of the camera is said, by its key in the plan, and what reads it."""

_SHOWN: Mapping[CameraSetting, Callable[[float], str]] = {
    "f_number": say_f_number,
    "iso": "ISO {:g}".format,
    "shutter": lambda shutter_s: f"shutter {say_shutter(shutter_s)}",
}


def read_take(
    said: str, plan: Plan | None, *, powers: Mapping[str, float] | None = None
) -> TakeSaid:
    """Return what is other in a take: turns as in :func:`read_turned`, "f/8", "iso 200".

    Raises
    ------
    WrongUse
        As there; or where a setting can't be read, or is said twice.
    """
    camera: dict[CameraSetting, float] = {}
    turns = []
    for one in _list(said, plan):
        name, value = _setting(one) if _lamp_of(one, plan) is None else (None, 0.0)
        if name is None:
            turns.append(one)
        elif name in camera:
            msg = f"{one}: that setting of the camera is said twice. Say it once, as it stands now."
            raise WrongUse(msg)
        else:
            camera[name] = value
    return TakeSaid(read_turned(", ".join(turns), plan, powers=powers), camera)


def read_trial(said: str, plan: Plan, *, powers: Mapping[str, float] | None = None) -> Trial:
    """Return what is tried: all that a take may say, "hair off", "key at 1.2 m", "1/125".

    Raises
    ------
    WrongUse
        As in :func:`read_take`; or where a lamp's place or gel is said twice.
    """
    off: list[str] = []
    metres: dict[str, float] = {}
    gels: dict[str, str] = {}
    rest = []
    for one in _list(said, plan):
        lamp = _lamp_of(one, plan)
        found = None if lamp is None else _TRIED.fullmatch(one[len(lamp) :].strip(" =:"))
        if lamp is None or found is None:  # no lamp's power is tried as a bare fraction
            rest.append(f"shutter {one}" if re.match(r"1\s*/", one) else one)
        elif lamp in off or (found["metres"] and lamp in metres) or (found["gel"] and lamp in gels):
            msg = f"{one}: that is said of {lamp} twice. Say it once, as it is to be."
            raise WrongUse(msg)
        elif found["metres"]:
            metres[lamp] = read_length(found["metres"])
        elif found["gel"]:
            gels[lamp] = found["name"] or ""
        else:
            off.append(lamp)
    take = read_take(", ".join(rest), plan, powers=powers)
    return Trial(take.turned, tuple(off), metres, gels, take.camera)


_TRIED = re.compile(
    r"off|(?P<gel>no gel|gel\s++(?P<name>\S.*+))"
    r"|at\s++(?P<metres>[0-9.]++\s*+(?:[mc'\"]|in|f[eot]).*+)",
    re.IGNORECASE,
)
"""What is said of a lamp that a take doesn't say: a length has its unit, a dial's place none."""


def _lamp_of(said: str, plan: Plan | None) -> str | None:
    """Return the lamp that a sentence begins with, or None."""
    known = [] if plan is None else [light.name for light in plan.lights]
    return max((name for name in known if _begins(said, name)), key=len, default=None)


def _setting(said: str) -> tuple[CameraSetting | None, float]:
    for name, (how, read) in _SETTINGS.items():
        if found := re.fullmatch(how, said, re.IGNORECASE):
            return name, read(found[1])
    return None, 0.0


def read_turned(
    said: str, plan: Plan | None, *, powers: Mapping[str, float] | None = None
) -> dict[str, float]:
    """Return what was turned, stops by lamp: "key -0.5, fill down 1/3", "key at 7.2", "".

    Parameters
    ----------
    said
        Turns, or where dials stand now as their packs show it.
    plan
        The plan, None for any lamps.
    powers
        Where dials stood before, stops from full, as far as that isn't the plan's power; None where
        nobody knows, and so no dial's new place says how far it was turned.

    Raises
    ------
    WrongUse
        If a lamp isn't in the plan, a turn has no direction or can't be read, or a lamp is named
        twice.
    """
    turned: dict[str, float] = {}
    for one in _list(said, plan):
        name, stops = _turn(one, plan, powers)
        if name in turned:
            msg = f"{name} is turned twice. Say each lamp once, with all that it was turned."
            raise WrongUse(msg)
        turned[name] = stops
    return {name: stops for name, stops in turned.items() if stops}


def _turn(said: str, plan: Plan | None, powers: Mapping[str, float] | None) -> tuple[str, float]:
    known = [] if plan is None else [light.name for light in plan.lights]
    lamp = _lamp_of(said, plan)
    found = _SAID_OF.fullmatch(said if lamp is None else f"_ {said[len(lamp) :].lstrip(' =:')}")
    if found is None:
        msg = f'"{said}" says no turn. {_both_forms(lamp or "key")}'
        raise WrongUse(msg)
    name, rest = lamp or found["name"].strip(), found["rest"]
    between = found["name"].removeprefix("_").strip()
    if lamp is not None and nearest(between, known):
        other = _named(between, known, "no lamp of the plan")
        msg = f'"{said}" says one turn. Say that of each, {lamp} and {other}. {_both_forms(lamp)}'
        raise WrongUse(msg)
    if lamp is None and plan is not None:
        name = _named(name, known, "no lamp of the plan")
    if rest[:2].lower() == "at":
        return name, _turn_to(name, rest[2:].strip(), plan, powers)
    if rest[0] not in "+-−–" and rest[:2].lower() not in ("up", "do"):
        msg = f'"{said}" doesn\'t say which way, or where it stands. {_both_forms(name)}'
        raise WrongUse(msg)
    value = read_turn(rest)
    if abs(value) > _MOST_STOPS:
        msg = f"{value:+g} is more than any pack turns. {_both_forms(name)}"
        raise WrongUse(msg)
    return name, value


def _turn_to(name: str, place: str, plan: Plan | None, powers: Mapping[str, float] | None) -> float:
    """Return how far a dial was turned that stands at a place of its pack's scale now."""
    light = None if plan is None else plan.light(name)
    now = None if light is None or powers is None else powers.get(name, light.power)
    if light is None or now is None:
        msg = f'Where {name} stood before isn\'t known. Say how far it was turned: "{name} -0.5".'
        raise WrongUse(msg)
    return round(light.power_read(place) - now, 3)


def _both_forms(name: str) -> str:
    return f'Write "{name} -0.5" or "{name} down 0.5" for a turn, "{name} at 7.2" for its dial.'


def _begins(said: str, name: str) -> bool:
    """Tell whether a sentence begins with a lamp's name and goes on with something else."""
    after = said[len(name) : len(name) + 1]
    return said.lower().startswith(name.lower()) and bool(re.match(r"[\s=:+\-−–]|$", after))


def _all_named(said: str, known: Sequence[str], what: str) -> Iterator[str]:
    """Yield the names that are said, with commas between them or without."""
    for part in _list(said):
        yield from _one_after_another(part, known) or [_named(_wrong_in(part, known), known, what)]


def _wrong_in(said: str, known: Sequence[str]) -> str:
    """Return which name is wrong: what stands between right ones, or the whole as one name."""
    names = "|".join(map(re.escape, known)) or "$."
    wrong = re.sub(rf"^(?:(?:{names})\s+)+|(?:\s+(?:{names}))+$", "", said, flags=re.IGNORECASE)
    return wrong if nearest(wrong, known) else said


def _one_after_another(said: str, known: Sequence[str]) -> list[str]:
    """Return names that are said with nothing between them; [] where it isn't all names."""
    for name in sorted(known, key=len, reverse=True):
        rest = said[len(name) :]
        if said[: len(name)].lower() != name.lower() or not (rest[:1].isspace() or not rest):
            continue
        more = _one_after_another(rest.strip(), known)
        if more or not rest:
            return [name, *more]
    return []


def _named(said: str, known: Sequence[str], what: str, *, else_say: str = "") -> str:
    for name in known:
        if name.lower() == said.lower():
            return name
    msg = f'"{said}" is {what}. {which_there_is(said, known)}{else_say}'
    raise WrongUse(msg)


def _list(said: str, plan: Plan | None = None) -> Iterator[str]:
    """Return what is said one by one; a lamp that follows a number begins the next as a comma does.

    So "key -0.5 fill +0.2" are two turns.
    """
    if len(said) > _MOST_SAID:
        msg = f"{len(said)} characters are too many to be said. Say it in {_MOST_SAID} at most."
        raise WrongUse(msg)
    names = "|".join(re.escape(light.name) for light in (plan.lights if plan else ()))
    next_one = rf"(?<=[0-9½⅓⅔¼¾])\s+(?=(?:{names})[\s=:+\-−–])" if names else ","
    parts = re.sub(next_one, ",", said, flags=re.IGNORECASE).split(",")
    return (part.strip() for part in parts if part.strip())


def card_patch(plan: Plan) -> tuple[float, float, float, float] | None:
    """Return where the plan says that the grey card is held: a patch called grey card or card."""
    for name in _CARD:
        patch = next((one for one in plan.patches if one.name.lower() == name), None)
        if patch is not None:
            return patch.box
    return None

"""`stopwise rebuild`: an earlier day's light built again, lamp by lamp."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from stopwise.cli import printing
from stopwise.cli.named_sides import Basis, find_take, lamps_of
from stopwise.cli.options import PATH, json_option, read_plan
from stopwise.comparison.rebuilding import SoloMatch, caution, do, match_solo, say, stood
from stopwise.errors import PathMissing, WrongUse
from stopwise.lamps.build_up import difference
from stopwise.lamps.solos import lamp_set
from stopwise.lamps.white_card import white_card_of
from stopwise.measurement.figures import tidy
from stopwise.record import SCHEMA

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from stopwise.comparison.sides import Side
    from stopwise.grid import LightGrid
    from stopwise.lamps.solos import LampSet
    from stopwise.ledger import Ledger
    from stopwise.plan.model import Light, Plan


@dataclass(frozen=True, slots=True)
class Today:
    """Today's frames: the lamps' solos and the ambient, files by part."""

    solos: Mapping[str, tuple[Path, ...]]
    ambient: Path | None = None


def todays(said: Sequence[str], plan: Plan, today: Basis | None) -> Today:
    """Return today's frames: those of today's plan, and over them what was named as LAMP=FRAME.

    Where both plans name a frame of a white card for a lamp, today's is taken: it says most.

    Raises
    ------
    WrongUse
        If one isn't written so, or the old plan has no such lamp.
    """
    solos: dict[str, tuple[Path, ...]] = {}
    ambient = None
    if today is not None and today.plan is not None and today.path is not None:
        folder = today.path.parent
        frames = today.plan.frames
        both = {lamp for lamp in frames.white_card if lamp in plan.frames.white_card}
        alone = {str(one.part.lamp): one.files for one in frames.solos}
        alone |= {lamp: (name,) for lamp, name in frames.white_card.items() if lamp in both}
        solos = {lamp: tuple(folder / name for name in files) for lamp, files in alone.items()}
        named = today.plan.frames.ambient
        ambient = None if named is None else folder / named
    for one in said:
        lamp, sign, name = one.partition("=")
        if not sign or plan.light(lamp.strip()) is None:
            known = ", ".join(light.name for light in plan.lights)
            msg = f'"{one}" names no solo. Write LAMP=FRAME with a lamp of the plan: {known}.'
            raise WrongUse(msg)
        solos[lamp.strip()] = (Path(name.strip()),)
    return Today(solos, ambient)


def walk(ledger: Ledger, take: str, basis: Basis, today: Today, *, as_json: bool) -> int:
    """Go from lamp to lamp, say what is off at each, and return 0 once all match, else 1.

    Raises
    ------
    WrongUse
        If the old plan has no solos that can be read.
    """
    old = lamps_of(basis)
    if old is None or basis.plan is None:
        msg = "The plan has no solos whose files are there, so no lamp can be built again from it."
        raise WrongUse(msg)
    side = find_take(take, basis, ledger).side
    ambient = None if today.ambient is None else _light(today.ambient, basis)
    matches = {
        name: _match(name, old, side, today, (basis, ambient))
        for name in old.names
        if name in today.solos
    }
    missing = [name for name in old.names if name not in matches]
    if as_json:
        printing.say_json(_json(take, matches, missing, basis.plan))
    else:
        printing.say(*_lines(old.names, matches, basis.plan))
    return 0 if not missing and all(one.is_matched for one in matches.values()) else 1


def _match(
    name: str, old: LampSet, side: Side, today: Today, with_: tuple[Basis, LightGrid | None]
) -> SoloMatch:
    basis, ambient = with_
    path, *less = today.solos[name]
    lamp = side.lamps.get(name)
    gave = 0.0 if lamp is None or lamp.stops is None else lamp.stops
    now, card = _light(path, basis), None
    if less:
        now = difference(now, _light(less[0], basis), ambient)
    then = _white_card_light(name, basis)
    try:
        if then is not None and white_card_of(now, ambient or old.ambient) is not None:
            old = lamp_set({name: then}, old.ambient, exposure=old.exposure)
        elif then is not None:
            card = white_card_of(then, old.ambient)
        return match_solo(name, old, now, ambient=ambient, take_stops=gave, card=card)
    except ValueError as error:
        msg = f"{path}: not of the old solos' size. Shoot with the same camera, the same way up."
        raise WrongUse(msg) from error


def _white_card_light(name: str, basis: Basis) -> LightGrid | None:
    """Return the light of a lamp's old white card, None where there is none."""
    named = None if basis.plan is None else basis.plan.frames.white_card.get(name)
    if named is None or basis.path is None:
        return None
    path = basis.path.parent / named
    return _light(path, basis) if path.is_file() else None


def _light(path: Path, basis: Basis) -> LightGrid:
    from stopwise.measurement import read
    from stopwise.plan.model import Plan
    from stopwise.raw import decode
    from stopwise.raw.bounds import in_bounds

    if not path.is_file():
        msg = f"{path} isn't there. Name today's solo as LAMP=FRAME."
        raise PathMissing(msg)
    frame = in_bounds(decode, path)
    plan = basis.plan or Plan()
    return read(frame, plan, look=basis.look).grid


def _lines(names: Iterable[str], matches: Mapping[str, SoloMatch], plan: Plan) -> Iterable[str]:
    """Yield what is said: each lamp up to the first that is off, then what is left."""
    left: list[str] = []
    for name in names:
        light = plan.light(name)
        match = matches.get(name)
        if match is None:
            left.append(name)
            continue
        yield " ".join(words for words in (say(match), do(match, light)) if words)
        if not match.is_matched and (warning := caution(light)):
            yield f"  {warning}"
    if left:
        yield f"Next: light the {left[0]} alone and shoot it.{_where(plan.light(left[0]))}"
        if warning := caution(plan.light(left[0])):
            yield f"  {warning}"
    elif all(match.is_matched for match in matches.values()):
        yield "All lamps match. Light them all and hold a frame against the take: stopwise compare."


def _where(light: Light | None) -> str:
    """Return where a lamp stood, as far as the plan says."""
    told = "" if light is None else stood(light)
    return f" It stood: {told}." if told else ""


def _json(
    take: str, matches: Mapping[str, SoloMatch], missing: Sequence[str], plan: Plan
) -> dict[str, Any]:
    lamps = {
        name: {
            **match.to_json(),
            "say": say(match),
            "do": do(match, plan.light(name)),
            "caution": "" if match.is_matched else caution(plan.light(name)),
        }
        for name, match in matches.items()
    }
    whole: dict[str, Any] = tidy(
        {"schema": SCHEMA, "take": take, "lamps": lamps, "missing": list(missing)}
    )
    return whole


@click.command()
@click.argument("kept", metavar="LEDGER", type=PATH)
@click.argument("solos", nargs=-1, metavar="[LAMP=FRAME]...")
@click.option("--take", required=True, help="The take that is built again: its name or number.")
@click.option("--plan", "plan_path", type=PATH, help="The plan of that day.")
@click.option("--today", "today_path", type=PATH, help="Today's plan, whose solos are meant.")
@json_option
def rebuild(
    kept: Path,
    solos: tuple[str, ...],
    take: str,
    plan_path: Path | None,
    today_path: Path | None,
    as_json: bool,  # noqa: FBT001 - click hands flags over by name
) -> int:
    """Build the light of an earlier day's take again, by the solos of then.

    LEDGER is that day's ledger, or a folder that was handed over, which holds its plan too. Shoot
    each lamp alone with the sitter on the old mark. A lamp matches within 0.1 stop and 1 % of the
    frame; ends with 0 once all do, else with 1.

    Example: stopwise rebuild june.sqlite --take 4 --plan june.toml key=F0104.dng
    """
    from stopwise.cli.ledger_command import ledger_file
    from stopwise.handover.contents import LEDGER, PLAN
    from stopwise.ledger import Ledger
    from stopwise.plan.model import Plan

    ledger_path = kept
    if kept.is_dir():
        ledger_path, plan_path = kept / LEDGER, plan_path or kept / PLAN
    if plan_path is None:
        msg = "The plan of that day is needed. Name it with --plan."
        raise WrongUse(msg)
    basis = Basis(read_plan(plan_path), plan_path)
    today = None if today_path is None else Basis(read_plan(today_path), today_path)
    frames = todays(solos, basis.plan or Plan(), today)
    with (
        Ledger(ledger_file(ledger_path, None), is_read_only=True) as ledger,
        basis.reading(ledger) as reading,
    ):
        return walk(ledger, take, reading, frames, as_json=as_json)

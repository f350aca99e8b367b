"""`stopwise stops`: the arithmetic of light, each answer with its formula on request."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

import click

from stopwise.cli.options import POSITIVE
from stopwise.cli.printing import say
from stopwise.plan import arithmetic

if TYPE_CHECKING:
    from collections.abc import Callable

    from stopwise.plan.arithmetic import Result

F = TypeVar("F", bound="Callable[..., object]")

_SIGNED = {"ignore_unknown_options": True}


@click.group()
def stops() -> None:
    """Reckon in stops: readings, ratios, distance, power.

    Readings are written as they are said: 11, f/11, 8+0.3 or 8.3t (f/8 and three tenths), "8 1/3".

    Example: stopwise stops add 8 5.6+0.3 --why
    """


def _why(command: F) -> F:
    return click.option("--why", is_flag=True, help="Show the formula with its figures.")(command)


def _print(answer: Result, *, why: bool) -> None:
    say(*answer.say.split("\n"))
    if why:
        say(*f"  because {answer.why}".split("\n"))


@stops.command()
@click.argument("readings", nargs=-1, required=True)
@click.option("--without", multiple=True, metavar="READING", help="A lamp to take out of the sum.")
@_why
def add(readings: tuple[str, ...], without: tuple[str, ...], why: bool) -> None:  # noqa: FBT001
    """Add the READINGS of lamps that fire together.

    Example: stopwise stops add 8 8
    """
    _print(arithmetic.add(readings, without=without), why=why)


@stops.command(context_settings=_SIGNED)
@click.argument("first")
@click.argument("second")
@click.option("--of", "kind", type=click.Choice(list(arithmetic.KINDS)), help="What they are.")
@_why
def between(first: str, second: str, kind: str | None, why: bool) -> None:  # noqa: FBT001
    """Say the stops from FIRST to SECOND: two readings, powers, distances, ISOs or times.

    Example: stopwise stops between 1.8m 2.4m
    """
    _print(arithmetic.between(first, second, kind=kind or ""), why=why)


@stops.command(context_settings=_SIGNED)
@click.argument("said")
@click.argument("fill", default="")
@_why
def ratio(said: str, fill: str, why: bool) -> None:  # noqa: FBT001
    """Turn stops into a ratio and back, in both conventions.

    SAID is stops of key over fill (2, "1 1/3"), a ratio (3:1), or the key's reading with that of
    the FILL behind it.

    Example: stopwise stops ratio f/11 f/8
    """
    _print(arithmetic.ratio(said, fill), why=why)


@stops.command()
@click.argument("start")
@click.argument("end", default="")
@click.option("--stops", "change", default="", help="The change wanted, with its way: -1, up 1/3.")
@click.option("--meter", default="", help="What the lamp reads at START.")
@_why
def distance(start: str, end: str, change: str, meter: str, why: bool) -> None:  # noqa: FBT001
    """Say what moving a lamp from START to END does, or how far it must move.

    Example: stopwise stops distance 1.8m --stops -1 --meter 11
    """
    _print(arithmetic.distance(start, end, change=change, meter=meter), why=why)


@stops.command(context_settings=_SIGNED)
@click.argument("said")
@click.option("--full-ws", type=POSITIVE, help="Full power, Ws.")
@click.option("--turn", default="", help="A turn, with its way: -0.7, up 1/3.")
@_why
def power(said: str, full_ws: float | None, turn: str, why: bool) -> None:  # noqa: FBT001
    """Say a power as stops from full, as a fraction, of a dial of 10 and in watt-seconds.

    Example: stopwise stops power 1/4 --full-ws 500 --turn -0.7
    """
    _print(arithmetic.power(said, full_ws=full_ws, turn=turn), why=why)


@stops.command()
@click.argument("number")
@click.argument("far", default="", metavar="[DISTANCE]")
@click.option("--f-number", default="", help="An f-number, in place of the distance.")
@click.option("--iso", default="100", help="Speed.", show_default=True)
@click.option("--power", "at", default="full", help="Power now.", show_default=True)
@_why
def guide(number: str, far: str, f_number: str, iso: str, at: str, why: bool) -> None:  # noqa: FBT001
    """Say the f-number that a guide NUMBER (metres, ISO 100, full power) gives at a distance.

    Example: stopwise stops guide 36 3m --power 1/4
    """
    answer = arithmetic.guide(number, far, f_number=f_number, iso=iso, at=at)
    _print(answer, why=why)


@stops.command()
@click.argument("f_number")
@click.argument("shutter")
@click.option("--iso", default="100", help="Speed.", show_default=True)
@_why
def ev(f_number: str, shutter: str, iso: str, why: bool) -> None:  # noqa: FBT001
    """Say the exposure value of an F_NUMBER and a SHUTTER time.

    Example: stopwise stops ev f/8 1/125
    """
    _print(arithmetic.ev(f_number, shutter, iso=iso), why=why)


@stops.command(context_settings=_SIGNED)
@click.argument("said")
@_why
def zone(said: str, why: bool) -> None:  # noqa: FBT001
    """Say the reflectance of a zone (6, VI), or the zone of a reflectance (36%).

    Example: stopwise stops zone VI
    """
    _print(arithmetic.zone(said), why=why)

"""The day's commands, which speak to a running watch: expect, lit, look, take."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from stopwise.cli.options import PATH
from stopwise.cli.printing import say
from stopwise.errors import PathMissing, WrongUse
from stopwise.ledger import MEMORY, Ledger
from stopwise.plan.spoken_tables import box_of
from stopwise.shoot.awaited_parts import (
    Awaiting,
    awaiting_now,
    card_box,
    keep_awaiting,
    keep_card_box,
    take_back,
)
from stopwise.shoot.saying import card_patch, read_parts

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from stopwise.plan.model import Plan
    from stopwise.shoot.watches import Watch


def watch_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that name a watch; none is needed where one watcher runs."""
    ledger = click.option("--ledger", "ledger_path", type=PATH, help="The ledger of the watch.")
    folder = click.option("--folder", type=PATH, help="The folder that is watched.")
    wrapped: Callable[..., Any] = ledger(folder(command))
    return wrapped


watched_plan_option: Callable[[Any], Any] = click.option(
    "--plan", "plan_path", type=PATH, help="The lighting plan (TOML). [that of the watch]"
)


def plan_meant(named: Path | None) -> Path:
    """Return the plan that is named, else that of the watch that runs, or ran last.

    Raises
    ------
    WrongUse
        If none is named and no watch, or more than one, tells which.
    """
    if named is not None:
        return named
    watch = the_one_watch()
    if watch is None or watch.plan is None:
        msg = "Which plan? No one watch is known. Name it: --plan plan.toml"
        raise WrongUse(msg)
    return watch.plan


def find_watch(*, ledger_path: Path | None, folder: Path | None, **_: Any) -> Watch:
    """Return the watch that a command speaks to."""
    from stopwise.shoot.watches import the_watch

    return the_watch(ledger=ledger_path, folder=folder)


def watch_of_plan(
    plan: Path, *, ledger_path: Path | None = None, folder: Path | None = None, **_: Any
) -> Watch | None:
    """Return the watch that goes by a plan, or None.

    Raises
    ------
    PathMissing, WrongUse
        If a watch is named and isn't there.
    """
    named = {"ledger_path": ledger_path, "folder": folder}
    watch = find_watch(**named) if ledger_path or folder else the_one_watch()
    return watch if watch is not None and watch.plan == plan.resolve() else None


def the_one_watch() -> Watch | None:
    """Return the watch that runs, or ran last; None where there is none, or several run."""
    try:
        return find_watch(ledger_path=None, folder=None)
    except (PathMissing, WrongUse):
        return None


def ledger_of_plan(plan: Path) -> Ledger:
    """Return the ledger of the watch that goes by a plan, else one in memory; close it after."""
    watch = watch_of_plan(plan)
    return Ledger(MEMORY if watch is None else watch.ledger)


def plan_of(watch: Watch) -> Plan:
    """Return the plan of a watch."""
    from stopwise.plan import load_plan

    return load_plan(watch.plan_path())


def order(watch: Watch, kind: str, body: object, words: str) -> None:
    """Write an order for the watcher, and print what it comes to and when it holds."""
    with Ledger(watch.ledger) as ledger:
        ledger.orders.say(kind, body)
    say(f"{words}, {watch.since}.")


@click.command()
@click.argument("parts", nargs=-1)
@click.option("--box", metavar="x0,y0,x1,y1", help="Where the grey card is held, inside its edges.")
@click.option(
    "--undo", "is_undo", is_flag=True, help="Take back the last frame, or what is awaited."
)
@watch_options
def expect(parts: tuple[str, ...], box: str | None, is_undo: bool, **named: Any) -> None:  # noqa: FBT001
    """Mark the next frames in the plan as they land: they are these PARTS, in order.

    Parts are grey, ambient, plate, reference, clip (two stops over on anything white: where this
    body stops) and the lamps' names, each lamp lit alone; "key white card" is the key alone on a
    white card at the face. A frame that doesn't fit its name is refused and asked for again. With
    no PARTS: what is awaited now.

    Example: stopwise expect grey, ambient, plate, key, fill, hair
    """
    watch = find_watch(**named)
    if is_undo:
        _undo_awaited(watch)
    elif parts:
        _await(watch, " ".join(parts), plan_of(watch), box)
    else:
        with Ledger(watch.ledger) as ledger:
            words = awaiting_now(ledger).words()
        say(f"{words[:1].upper()}{words[1:]}.")


def _await(watch: Watch, said: str, plan: Plan, box: str | None) -> None:
    """Ask for parts.

    Raises
    ------
    WrongUse
        If a part is unknown, or where the grey card is held isn't known.
    """
    parts = read_parts(said, plan)
    if "grey" in parts:
        _keep_card(watch, plan, box)
    order(watch, "expect", list(parts), f"Awaited: {Awaiting(parts).words()}")


def _keep_card(watch: Watch, plan: Plan, box: str | None) -> None:
    with Ledger(watch.ledger) as ledger:
        found = card_patch(plan) if box is None else box_of(box)
        if found is not None:
            keep_card_box(ledger, found)
        elif card_box(ledger) is None:
            msg = (
                "Where is the grey card held? Paper is even and neutral too, so it is never "
                "guessed: give --box x0,y0,x1,y1, or a patch called grey card in the plan."
            )
            raise WrongUse(msg)


def _undo_awaited(watch: Watch) -> None:
    """Take back the last frame that came; where none has come, what is awaited.

    Raises
    ------
    WrongUse
        If there is nothing to take back.
    """
    with Ledger(watch.ledger) as ledger:
        awaiting = awaiting_now(ledger)
        if awaiting.came:
            came = awaiting.came[-1]
            take_back(watch.plan_path(), came)
            if came.part == "clip":
                ledger.levels.unteach()
            awaiting = awaiting.undone()
            said = f"{came.file} is no longer {came.part}"
        elif awaiting.left or ledger.orders.open("expect"):
            ledger.orders.undo("expect")
            awaiting, said = Awaiting(), "Nothing of it had come"
        else:
            msg = "Nothing is awaited and nothing has come: there is nothing to undo."
            raise WrongUse(msg)
        keep_awaiting(ledger, awaiting)
    say(f"{said}; {awaiting.words()}.")


@click.command()
@click.argument("lamps", nargs=-1, required=True)
@watch_options
def lit(lamps: tuple[str, ...], **named: Any) -> None:
    """Only these LAMPS are meant to be lit now: targets that need others wait. "all" ends it.

    Example: stopwise lit key fill
    """
    from stopwise.shoot.saying import read_lit

    watch = find_watch(**named)
    meant = read_lit(" ".join(lamps), plan_of(watch))
    words = "All lamps are meant to be lit" if meant is None else f"Lit: {', '.join(meant)}"
    order(watch, "lit", None if meant is None else list(meant), words)


@click.command()
@click.argument("lamps", nargs=-1)
@click.option("--undo", "is_undo", is_flag=True, help="It wasn't: its solo counts again.")
@watch_options
def moved(lamps: tuple[str, ...], is_undo: bool, **named: Any) -> None:  # noqa: FBT001
    """Say that these LAMPS were moved, flagged, scrimmed or gridded: their solos count no more.

    Each lamp's next frame alone, as lit says, is its solo again; or what a frame shows over the one
    before it came on.

    Example: stopwise moved key
    """
    from stopwise.preparing.marks import MOVED, forget_solos
    from stopwise.shoot.saying import read_lit
    from stopwise.shoot.standing import moved_words, stands_now
    from stopwise.shoot.watched_edits import undo_last

    watch = find_watch(**named)
    if is_undo:
        with Ledger(watch.ledger) as ledger:
            undo_last(ledger, watch.plan_path(), what=MOVED)
        say(f"{watch.plan_path().name}: the solos count as before.")
        return
    plan = plan_of(watch)
    which = read_lit(" ".join(lamps), plan) or tuple(light.name for light in plan.lights)
    with Ledger(watch.ledger) as ledger:
        forget_solos(which, watch.plan_path(), stands_now(ledger, plan))
    order(watch, "moved", list(which), moved_words(which))


@click.command()
@click.argument("name", nargs=-1, required=True)
@click.option("--new", "is_new", is_flag=True, help="Make it: boxes copied, zones open to adopt.")
@watch_options
def look(name: tuple[str, ...], is_new: bool, **named: Any) -> None:  # noqa: FBT001
    """From the next frame on, this look's targets hold. "none" is the plan's own.

    With --new the look is made first, of the boxes that hold now; the next frames are measured, and
    adopt fills its zones. Once a frame has said that the camera is turned and the plan has no boxes
    for that, --new makes the look for it, and it is chosen by itself.

    Example: stopwise look in black
    """
    from stopwise.shoot.saying import read_look
    from stopwise.shoot.watched_edits import begin_look

    watch = find_watch(**named)
    if is_new:
        with Ledger(watch.ledger) as ledger:
            say(begin_look(ledger, watch.plan_path(), " ".join(name)).words)
        return
    worn = read_look(" ".join(name), plan_of(watch))
    order(watch, "look", worn, f"Look: {worn}" if worn else "The plan's own look")


@click.command(context_settings={"ignore_unknown_options": True})
@click.argument("turned", nargs=-1, type=click.UNPROCESSED)
@watch_options
def take(turned: tuple[str, ...], **named: Any) -> None:
    """Begin a new take with the next frame, and say what was TURNED, in stops or by its dial.

    A turn is "key -0.7" or "key down 1/3"; where a dial stands now is "key at 7.2" or "key at 1/4",
    as its pack shows it. A setting of the camera that was changed on purpose is "f/8", "iso 200" or
    "shutter 1/125": it is expected from then on. "yes" says so of the turn that the watcher asked
    about; with nothing said, nothing was turned.

    Example: stopwise take "key -0.5, fill +0.2"
    """
    from stopwise.shoot.saying import YES, read_take
    from stopwise.shoot.standing import offered_turn, stands_now

    watch = find_watch(**named)
    said = " ".join(turned).strip()
    plan = None if watch.plan is None else plan_of(watch)
    with Ledger(watch.ledger, is_read_only=True) as ledger:
        powers, is_asked = stands_now(ledger, plan), bool(offered_turn(ledger))
    if said.lower() == YES:
        if not is_asked:
            msg = 'No turn was asked about. Say what was turned: take "key -0.5".'
            raise WrongUse(msg)
        order(watch, "take", YES, "A new take begins with the turn that was asked about")
        return
    words = read_take(said, plan, powers=powers).shown
    order(watch, "take", said, f"A new take begins{': ' if words else ''}{words}")

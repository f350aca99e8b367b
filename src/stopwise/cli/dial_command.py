"""`stopwise dial`: powers that meet the plan, from its solos."""

from __future__ import annotations

from contextlib import ExitStack
from functools import partial
from typing import TYPE_CHECKING, Any

import click

from stopwise.cli.day_commands import plan_meant, watch_of_plan, watched_plan_option
from stopwise.cli.options import PATH, json_option, ledger_option
from stopwise.cli.printing import at_work, say_json, tell
from stopwise.errors import PathMissing, WrongUse

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from stopwise.lamps.trial import Trial
    from stopwise.ledger import Ledger
    from stopwise.plan.model import Plan
    from stopwise.shoot.dialling import Dialling, ReadyDials


UNMET = 1
"""Exit code where a target stays unmet."""


def _show(done: Dialling, *, as_json: bool) -> None:
    if as_json:
        tell(*done.sentences)
        say_json(done.answer.to_json())
        return
    from stopwise.report.tables import dial_text
    from stopwise.report.terminal import Terminal

    with Terminal() as terminal:
        terminal.show(dial_text(done.answer, done.plan, done.sentences, style=terminal.style))


def _draw(slip: Path, done: Dialling, plan_path: Path) -> None:
    from stopwise.report.dial_slip import draw_dial_slip
    from stopwise.report.slip_file import keep_slip
    from stopwise.whole_file import write_whole

    draw = partial(draw_dial_slip, done.answer, done.plan, done.sentences)
    if slip.suffix.lower() == ".png":
        write_whole(slip, draw())
    else:
        keep_slip(slip, f"{plan_path.stem}-dialled", str(plan_path.resolve()), draw)


def targets_of(
    earlier_path: Path | None, take: str | None, *, look: str | None = None
) -> Callable[[Plan], Plan] | None:
    """Return what puts a take's medians in the place of a plan's targets, None where none is named.

    Parameters
    ----------
    earlier_path, take
        An earlier day's ledger, and its take by name or number; both or neither.
    look
        The look whose frames count.

    Raises
    ------
    WrongUse
        If only one of the two is named, or no frame of the take counts.
    PathMissing
        If there is no such ledger or take.
    """
    if earlier_path is None and take is None:
        return None
    if earlier_path is None or take is None:
        msg = "--match and --take go together: an earlier day's ledger, and a take of it."
        raise WrongUse(msg)
    from stopwise.cli.ledger_command import ledger_file
    from stopwise.cli.named_sides import Basis, find_take, records_of
    from stopwise.comparison.matching import plan_to_match, with_backdrop_of
    from stopwise.comparison.sides import left_out
    from stopwise.ledger import Ledger

    with Ledger(ledger_file(earlier_path, None), is_read_only=True) as ledger:
        found = find_take(take, Basis(look=look), ledger)
        number = None if found.take is None else found.take.number
        records = [
            one for one in records_of(ledger, take=number, look=look) if left_out(one) is None
        ]
    return lambda plan: with_backdrop_of(plan_to_match(plan, found.side), records)


def _tried(said: str, ready: ReadyDials, ledger: Ledger | None) -> Trial:
    """Return what is tried: a trial that is kept under that name, or what is said."""
    from stopwise.shoot.dialling import kept_trials
    from stopwise.shoot.saying import read_trial

    for kept in () if ledger is None else kept_trials(ledger):
        if kept.name == said.strip():
            return kept.as_dials_stand(ready.dials.knobs)
    powers = {one.name: one.power for one in ready.plan.lights if one.power is not None}
    return read_trial(said, ready.plan, powers=powers)


@click.command()
@watched_plan_option
@click.option("--keep", multiple=True, metavar="LAMPS", help="Lamps that aren't turned: key,fill")
@click.option("--try", "tried", metavar="TRIAL", help='Only look at: "key -0.5, hair off, f/8".')
@click.option("--as", "name", help="Keep what is tried under this name.")
@json_option
@click.option("--slip", type=PATH, help="Write the predicted picture here: a folder, or a .png.")
@ledger_option
@click.option("--look", help="Name of the look that is worn.")
@click.option("--match", "earlier_path", type=PATH, help="An earlier day's ledger, for its --take.")
@click.option("--take", help="The take of --match that is to be met in the place of the plan.")
def dial(
    plan_path: Path | None,
    keep: tuple[str, ...],
    as_json: bool,  # noqa: FBT001 - click hands flags over by name
    slip: Path | None,
    ledger_path: Path | None,
    look: str | None,
    **said: Any,
) -> int:
    """Work out the powers that meet a plan, from a solo frame of each lamp.

    With --try it turns nothing of its own accord: it says, and with --slip shows, what the frame
    would be before anybody touches a lamp. Beside turns it takes "hair off", "key at 1.2 m", "hair
    gel amber" ([[gel]] of the plan), "f/8", "iso 200" and "1/125", or the name of a trial that --as
    or the page kept. Ends with 0 when every target is met, with 1 when one isn't.

    Example: stopwise dial --plan plan.toml --try "key -0.5, fill +0.3" --slip slips/
    """
    from stopwise.ledger import Ledger, default_place
    from stopwise.shoot.dialling import KeptTrial, keep_trial, prepare_dials

    retargeted = targets_of(said["earlier_path"], said["take"], look=look)
    plan_path = plan_meant(plan_path)
    if not plan_path.exists():
        msg = f"{plan_path} isn't there. Check the name, or write one: stopwise plan new"
        raise PathMissing(msg)
    watch = watch_of_plan(plan_path)
    place = ledger_path or (watch.ledger if watch else default_place(plan_path.parent))
    kept = [name.strip() for names in keep for name in names.split(",") if name.strip()]
    if (name := said["name"]) is not None and said["tried"] is None:
        msg = "--as keeps what --try says under a name: say both."
        raise WrongUse(msg)
    with ExitStack() as opened:
        is_kept = ledger_path is not None or name is not None or place.exists()
        ledger = opened.enter_context(Ledger(place, is_read_only=not name)) if is_kept else None
        opened.enter_context(at_work("Reading the solos"))
        ready = prepare_dials(plan_path, ledger=ledger, look=look, keep=kept, retargeted=retargeted)
        if said["tried"] is None:
            done = ready.solved()
        else:
            trial = _tried(said["tried"], ready, ledger)
            done = ready.tried(trial)
            if ledger is not None and name is not None:
                keep_trial(ledger, KeptTrial.of(name, trial, done.answer, ready.dials.knobs))
    if slip is not None:
        _draw(slip, done, plan_path)
    _show(done, as_json=as_json)
    return 0 if done.is_met else UNMET

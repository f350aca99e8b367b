"""`stopwise dial`: powers that meet the plan, from its solos."""

from __future__ import annotations

import json
from contextlib import ExitStack
from typing import TYPE_CHECKING, Any, Self

import click

from stopwise.cli.check_command import make_folder
from stopwise.cli.options import PATH, json_option, ledger_option
from stopwise.errors import PathMissing, WrongUse
from stopwise.preparing.dialling import dial_plan

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from stopwise.ledger import Ledger
    from stopwise.plan.model import Plan
    from stopwise.preparing.dialling import Dialling


UNMET = 1
"""Exit code where a target stays unmet."""


class DialRun(ExitStack):
    """One call of `dial`, with its ledger open while the block runs.

    Parameters
    ----------
    plan_path
        The plan.
    ledger_path
        What is read for takes that say what was turned, and for reduced solos; None for the ledger
        of the plan's folder where there is one.
    retargeted
        Puts other targets in the place of the plan's own.
    """

    def __init__(
        self,
        plan_path: Path,
        ledger_path: Path | None,
        *,
        retargeted: Callable[[Plan], Plan] | None = None,
    ) -> None:
        super().__init__()
        self._retargeted = retargeted
        self._plan_path = plan_path
        self._ledger_path = ledger_path
        self._ledger: Ledger | None = None

    def __enter__(self) -> Self:
        """Open the ledger."""
        from stopwise.ledger import Ledger, default_place

        if not self._plan_path.exists():
            msg = f"{self._plan_path} isn't there. Check the name, or write one: stopwise plan new"
            raise PathMissing(msg)
        place = self._ledger_path or default_place(self._plan_path.parent)
        if self._ledger_path is not None or place.exists():
            self._ledger = self.enter_context(Ledger(place, is_read_only=True))
        return self

    def over(
        self, *, keep: Iterable[str], look: str | None, as_json: bool, slip: Path | None
    ) -> int:
        """Dial, show the answer, and return the exit code."""
        kept = [name.strip() for names in keep for name in names.split(",") if name.strip()]
        done = dial_plan(
            self._plan_path, keep=kept, look=look, ledger=self._ledger, retargeted=self._retargeted
        )
        if slip is not None:
            _write_slip(slip, done, self._plan_path)
        if as_json:
            _print_json(done)
        else:
            _print_text(done)
        return 0 if done.is_met else UNMET


def _print_json(done: Dialling) -> None:
    for said in done.sentences:
        click.echo(f"stopwise: {said}", err=True)
    click.echo(json.dumps(done.answer.to_json()))


def _print_text(done: Dialling) -> None:
    from stopwise.report.tables import dial_text
    from stopwise.report.terminal import Terminal

    with Terminal() as terminal:
        terminal.show(dial_text(done.answer, done.plan, done.sentences, style=terminal.style))


def _write_slip(slip: Path, done: Dialling, plan_path: Path) -> None:
    from stopwise.report.dial_slip import draw_dial_slip

    target = slip
    if slip.suffix.lower() != ".png":
        make_folder(slip)
        target = slip / f"{plan_path.stem}-dialled.png"
    try:
        target.write_bytes(draw_dial_slip(done.answer, done.plan, done.sentences))
    except OSError as error:
        msg = f"{target} can't be written: {error.strerror}. Name a folder that can be written."
        raise WrongUse(msg) from error


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


@click.command()
@click.option("--plan", "plan_path", type=PATH, required=True, help="The lighting plan (TOML).")
@click.option("--keep", multiple=True, metavar="LAMPS", help="Lamps that aren't turned: key,fill")
@json_option
@click.option("--slip", type=PATH, help="Write the predicted picture here: a folder, or a .png.")
@ledger_option
@click.option("--look", help="Name of the look that is worn.")
@click.option("--match", "earlier_path", type=PATH, help="An earlier day's ledger, for its --take.")
@click.option("--take", help="The take of --match that is to be met in the place of the plan.")
def dial(
    plan_path: Path,
    keep: tuple[str, ...],
    as_json: bool,  # noqa: FBT001 - click hands flags over by name
    slip: Path | None,
    ledger_path: Path | None,
    look: str | None,
    **earlier: Any,
) -> int:
    """Work out the powers that meet a plan, from a solo frame of each lamp.

    Ends with 0 when every target is met, with 1 when one isn't.

    Example: stopwise dial --plan plan.toml --keep fill --slip slips/
    """
    retargeted = targets_of(earlier["earlier_path"], earlier["take"], look=look)
    with DialRun(plan_path, ledger_path, retargeted=retargeted) as run:
        return run.over(keep=keep, look=look, as_json=as_json, slip=slip)

"""One call of `dial`: its ledger, what it prints, where its slip goes, and what it ends with."""

from __future__ import annotations

import json
from contextlib import ExitStack
from typing import TYPE_CHECKING, Self

import click

from stopwise.cli.checking import make_folder
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
        Where reduced solos are kept, and takes say what was turned; None for the ledger of the
        plan's folder where there is one.
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
            self._ledger = self.enter_context(Ledger(place))
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

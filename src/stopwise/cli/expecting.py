"""What `expect` does: asks for parts, shows what is awaited, takes the last frame back."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from stopwise.cli.speaking import say
from stopwise.errors import WrongUse
from stopwise.ledger import Ledger
from stopwise.plan.spoken_tables import box_of
from stopwise.shoot.awaiting import (
    Awaiting,
    awaiting_now,
    card_box,
    keep_awaiting,
    keep_card_box,
)
from stopwise.shoot.parts import take_back
from stopwise.shoot.saying import card_patch, read_parts

if TYPE_CHECKING:
    from stopwise.plan.model import Plan
    from stopwise.shoot.watches import Watch


class Expecting:
    """One call of `expect`.

    Parameters
    ----------
    watch
        The watch that it speaks to.
    """

    def __init__(self, watch: Watch) -> None:
        self._watch = watch

    def ask(self, said: str, plan: Plan, box: str | None) -> None:
        """Ask for parts.

        Raises
        ------
        WrongUse
            If a part is unknown, or where the grey card is held isn't known.
        """
        parts = read_parts(said, plan)
        if "grey" in parts:
            self._keep_card(plan, box)
        say(self._watch, "expect", list(parts), f"Awaited: {Awaiting(parts).words()}")

    def _keep_card(self, plan: Plan, box: str | None) -> None:
        with Ledger(self._watch.ledger) as ledger:
            found = card_patch(plan) if box is None else box_of(box)
            if found is not None:
                keep_card_box(ledger, found)
            elif card_box(ledger) is None:
                msg = (
                    "Where is the grey card held? Paper is even and neutral too, so it is never "
                    "guessed: give --box x0,y0,x1,y1, or a patch called grey card in the plan."
                )
                raise WrongUse(msg)

    def show(self) -> None:
        """Say what is awaited."""
        with Ledger(self._watch.ledger) as ledger:
            words = awaiting_now(ledger).words()
        click.echo(f"{words[:1].upper()}{words[1:]}.")

    def undo(self) -> None:
        """Take back the last frame that came; where none has come, what is awaited.

        Raises
        ------
        WrongUse
            If there is nothing to take back.
        """
        with Ledger(self._watch.ledger) as ledger:
            awaiting = awaiting_now(ledger)
            if awaiting.came:
                came = awaiting.came[-1]
                take_back(self._watch.plan_path(), came)
                ledger.marks.undo(came.part)
                awaiting = awaiting.undone()
                said = f"{came.file} is no longer {came.part}"
            elif awaiting.left or ledger.orders.open("expect"):
                ledger.orders.undo("expect")
                awaiting, said = Awaiting(), "Nothing of it had come"
            else:
                msg = "Nothing is awaited and nothing has come: there is nothing to undo."
                raise WrongUse(msg)
            keep_awaiting(ledger, awaiting)
        click.echo(f"{said}; {awaiting.words()}.")

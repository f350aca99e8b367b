"""Dialling for the page, in a process of its own: solos may have to be decoded for it."""

from __future__ import annotations

from contextlib import ExitStack
from typing import TYPE_CHECKING, Any

from stopwise.page.apart import apart

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from stopwise.ledger import Ledger
    from stopwise.page.desk import Dialler
    from stopwise.report.drawable import Drawable

_FAILS = "The powers could not be worked out: a solo's decoder failed. Mark it again."


def page_dialler(plan_path: Path, ledger: Ledger, look: Callable[[], str | None]) -> Dialler:
    """Return what works out powers when the page asks: the way of the command `dial`.

    Parameters
    ----------
    plan_path
        The plan.
    ledger
        Where reduced solos are kept, and takes say what was turned.
    look
        Returns the look that is worn.
    """
    place = None if ledger.in_memory else ledger.place

    def dial() -> tuple[dict[str, Any], Drawable]:
        return apart(_dialled, plan_path, place, look(), fails=_FAILS)

    return dial


def _dialled(
    plan_path: Path, place: str | None, look: str | None
) -> tuple[dict[str, Any], Drawable]:
    """Return the answer with its picture."""
    from stopwise.ledger import Ledger
    from stopwise.preparing.dialling import dial_plan
    from stopwise.report.dial_slip import predicted_drawable

    with ExitStack() as opened:
        ledger = None if place is None else opened.enter_context(Ledger(place))
        done = dial_plan(plan_path, look=look, ledger=ledger)
    picture = predicted_drawable(done.answer, mid_grey=done.plan.camera.mid_grey)
    return {**done.answer.to_json(), "notes": list(done.sentences)}, picture

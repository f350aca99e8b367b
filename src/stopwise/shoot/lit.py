"""Which lamps a frame shows lit, by its solos."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.shoot.lamp_findings import misfires

if TYPE_CHECKING:
    from collections.abc import Sequence

    from stopwise.plan.model import Plan
    from stopwise.record import Record


def lit_in(record: Record) -> tuple[str, ...] | None:
    """Return the lamps that gave light in a frame.

    Returns
    -------
    tuple of str or None
        None without solos, where a lamp isn't seen, or where one that was meant to fire did not:
        that is called by itself.
    """
    states = {name: one.state for name, one in (record.lamps or {}).items()}
    if not states or "not seen" in states.values() or misfires(record):
        return None
    return tuple(name for name, state in states.items() if state != "out")


def is_full(record: Record, plan: Plan | None, said: Sequence[str] | None) -> bool:
    """Tell whether a frame of the plan's own look shows all its lamps lit.

    By solos of all lamps; without them a frame on plan does, while no lamp is meant to be off.
    """
    if plan is None or not plan.lights or record.look is not None:
        return False
    names = {light.name for light in plan.lights}
    if names <= set(record.lamps or {}):
        return set(lit_in(record) or ()) >= names
    return said is None and record.verdict == "on plan"


def lit_words(record: Record, lit: Sequence[str], said: Sequence[str] | None) -> str:
    """Return which lamps are lit, and which were said to be where that differs."""
    known = set(record.lamps or {})
    names = "all lamps" if set(lit) == known else ", ".join(lit) or "no lamp"
    other = said is not None and set(said) & known != set(lit)
    told = f"; said were {', '.join(said)}" if other and said else ""
    return f"Lit in {record.file}: {names}{told}."

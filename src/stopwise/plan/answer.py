"""An answer of the arithmetic of light, and the ways in which its figures are said."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from stopwise.errors import WrongUse
from stopwise.nominal import exact_f_number, is_f_mark, say_f_number
from stopwise.plan.readings import read_f_number

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

INVERSE_SQUARE = (
    "the inverse square law of a small source, good to 1 % from five times its largest size."
)


@dataclass(frozen=True, slots=True)
class Answer:
    """What a sum comes to.

    Attributes
    ----------
    say
        The answer, a line each.
    why
        The formula with its figures, a line each.
    value
        The answer as a bare number, in the unit that `say` names first.
    """

    say: str
    why: str
    value: float


def exact_reading(said: str) -> float:
    """Return the exact f-number of a reading."""
    return exact_f_number(read_f_number(said))


def say_reading(value: float) -> str:
    """Say an f-number as a meter shows it, with its exact figure."""
    return f"{say_f_number(value)} ({value:.2f})"


def say_exactly(value: float) -> str:
    """Say signed stops in hundredths."""
    return f"{value:+.2f} stop" if abs(value) < 1.005 else f"{value:+.2f} stops"


def say_marks(said: Sequence[str]) -> str:
    """Say which engraved figures stand for another exact value."""
    marks = {read_f_number(text) for text in said}
    rounded = sorted(m for m in marks if is_f_mark(m) and abs(exact_f_number(m) - m) > 1e-6)
    text = ", ".join(f"f/{mark:g} stands for {exact_f_number(mark):.3f}" for mark in rounded)
    return f" {text}." if text else ""


def quotient(upper: str, lower: str) -> float:
    """Return the quotient of two written numbers."""
    return float(upper) / float(lower)


def asked(function: Callable[..., float], *arguments: object) -> float:
    """Ask the arithmetic, and pass on in a person's words what has no answer."""
    try:
        return function(*arguments)
    except (ValueError, ZeroDivisionError, OverflowError) as error:
        text = str(error)
        msg = f"That has no answer: {text}." if "convert" not in text else "That isn't a number."
        raise WrongUse(msg) from None

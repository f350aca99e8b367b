"""Work for the page that may decode files: done in a process of its own, which may fail alone."""

from __future__ import annotations

import multiprocessing
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import TYPE_CHECKING, TypeVar

from stopwise.errors import StopwiseError, WrongUse

if TYPE_CHECKING:
    from collections.abc import Callable

T = TypeVar("T")

_PATIENCE_S = 120.0


def apart(work: Callable[..., T], *args: object, fails: str) -> T:
    """Return what a function of a module's top level gives in a spawned process.

    Parameters
    ----------
    work
        The function.
    args
        What it is called with.
    fails
        What is said where the process dies, or doesn't answer within two minutes.

    Raises
    ------
    WrongUse
        If the work fails, with its own words.
    """
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(1, mp_context=spawn) as process:
        try:
            found = process.submit(_caught, work, *args).result(_PATIENCE_S)
        except (BrokenProcessPool, TimeoutError):
            raise WrongUse(fails) from None
    if isinstance(found, _Refused):
        raise WrongUse(found.words)
    return found


class _Refused:
    """Why there is no answer, in words: errors with fields of their own don't travel."""

    def __init__(self, words: str) -> None:
        self.words = words


def _caught(work: Callable[..., T], *args: object) -> T | _Refused:
    try:
        return work(*args)
    except StopwiseError as error:
        return _Refused(str(error))

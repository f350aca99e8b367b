"""A frame whose picture is still being checked for damage, beside whoever measures it meanwhile."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import TYPE_CHECKING

from stopwise.conditions import condition
from stopwise.errors import Unreadable

if TYPE_CHECKING:
    from collections.abc import Callable

    from stopwise.frame import Frame


class Check:
    """A look for damage that goes on in a thread of its own.

    Parameters
    ----------
    look
        Returns what shows damage, as a part of a sentence, or None.
    """

    def __init__(self, look: Callable[[], str | None]) -> None:
        self._look = look
        self._found: str | None = None
        self._error: Exception | None = None
        self._thread = threading.Thread(target=self._run, name="stopwise-check", daemon=True)
        self._thread.start()

    def found(self) -> str | None:
        """Wait for the end, and return what `look` returned or raise what it raised."""
        self._thread.join()
        if self._error is not None:
            raise self._error
        return self._found

    def _run(self) -> None:
        try:
            self._found = self._look()
        except Exception as error:  # noqa: BLE001 (it is raised again where it is asked for)
            self._error = error


@dataclass(frozen=True, eq=False, slots=True)
class Unproven:
    """A decoded frame, not to be told of before it is proven.

    Attributes
    ----------
    frame
        What was decoded.
    check
        What goes on; None where nothing can be checked.
    """

    frame: Frame
    check: Check | None

    def proven(self) -> Frame:
        """Wait for the check, and return the frame.

        Raises
        ------
        Unreadable
            If the picture is damaged.
        """
        damage = None if self.check is None else self.check.found()
        if damage is not None:
            raise Unreadable(self.frame.path, condition("damaged"), damage)
        return self.frame

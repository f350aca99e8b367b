"""What is awaited: which parts the next frames play, in order, and what has come of it so far."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence

    from stopwise.ledger import Ledger

_SETTING = "awaiting"
_CARD = "card box"


@dataclass(frozen=True, slots=True)
class Came:
    """A frame that was marked: its part, and what the plan named for that part before.

    `camera` is what the plan's camera held before, where the frame changed it: mid-grey, with its
    body and ISO.
    """

    part: str
    file: str
    before: str | None
    camera: dict[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class Awaiting:
    """Parts that the next frames play.

    Attributes
    ----------
    left
        What is awaited, in order.
    came
        What has come since, in order; the last can be taken back.
    """

    left: tuple[str, ...] = ()
    came: tuple[Came, ...] = ()

    @property
    def part(self) -> str | None:
        """What the next frame is meant to be."""
        return self.left[0] if self.left else None

    def with_frame(
        self, file: str, before: str | None, camera: dict[str, Any] | None = None
    ) -> Awaiting:
        """Return what is awaited once a frame has played the first part."""
        return Awaiting(self.left[1:], (*self.came, Came(self.left[0], file, before, camera)))

    def asked_again(self, part: str) -> Awaiting:
        """Return what is awaited once a part that had come proved wrong."""
        return replace(self, left=(*self.left, part))

    def undone(self) -> Awaiting:
        """Return what is awaited once the last frame that came is taken back."""
        return Awaiting((self.came[-1].part, *self.left), self.came[:-1])

    def words(self) -> str:
        """Return what is awaited in a few words: "next: key, then fill, hair"."""
        if not self.left:
            return "nothing more is awaited"
        then = f", then {', '.join(self.left[1:])}" if len(self.left) > 1 else ""
        return f"next: {self.left[0]}{then}"


def awaiting_now(ledger: Ledger) -> Awaiting:
    """Return what is awaited, as the ledger has it."""
    kept: dict[str, Any] = ledger.settings.get(_SETTING) or {}
    came = tuple(Came(*one) for one in kept.get("came", ()))
    return Awaiting(tuple(kept.get("left", ())), came)


def awaited_words(ledger: Ledger) -> list[str]:
    """Return what is awaited in a few words; [] where nothing is."""
    awaiting = awaiting_now(ledger)
    return [awaiting.words()] if awaiting.left else []


def keep_awaiting(ledger: Ledger, awaiting: Awaiting) -> None:
    """Keep what is awaited."""
    came = [[one.part, one.file, one.before, one.camera] for one in awaiting.came]
    ledger.settings.set(_SETTING, {"left": list(awaiting.left), "came": came})


def card_box(ledger: Ledger) -> tuple[float, float, float, float] | None:
    """Return where the grey card is held, as it was said last."""
    kept = ledger.settings.get(_CARD)
    return None if kept is None else (kept[0], kept[1], kept[2], kept[3])


def keep_card_box(ledger: Ledger, box: Sequence[float]) -> None:
    """Keep where the grey card is held."""
    ledger.settings.set(_CARD, list(box))

"""Pictures of solos as fine as a screen shows them, kept beside their light, so that it adds up."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.grid import combine
from stopwise.grid_bytes import picture_blob, picture_from
from stopwise.ledger import content_hash

if TYPE_CHECKING:
    from pathlib import Path

    from stopwise.grid import LightGrid
    from stopwise.ledger import Ledger
    from stopwise.measurement.reading import Reduced
    from stopwise.plan.model import MarkedFrame
    from stopwise.plan.now import PlanNow

PICTURE_ACROSS = 1200
"""Blocks along the longer side of a picture that is added up on a screen."""


def keep_picture(ledger: Ledger, sha256: str, targets: PlanNow, reduced: Reduced) -> None:
    """Keep the picture of a frame that was reduced, by its content."""
    blob = picture_blob(reduced.finer(PICTURE_ACROSS))
    ledger.solos.keep(sha256, _variant(targets), blob)


def kept_picture(
    ledger: Ledger, one: MarkedFrame, folder: Path, targets: PlanNow, light: LightGrid
) -> LightGrid | None:
    """Return one of the plan's frames, whose light is known, as fine as a screen shows it.

    None where it isn't kept. A solo out of two frames is what one shows over the other, without
    ambient.
    """
    pictures = []
    for file in one.files:
        blob = ledger.solos.get(content_hash(str((folder / file).resolve())), _variant(targets))
        if blob is None:
            return None
        pictures.append(picture_from(blob, light))
    return combine(pictures, (1.0, -1.0)[: len(pictures)])


def _variant(targets: PlanNow) -> str:
    """Return what a frame's picture depends on besides its file."""
    return f"picture {PICTURE_ACROSS}; {targets.plan.camera!r}"

"""What is kept beside the light of the plan's own frames: pictures that add up, and figures."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

from pydantic import TypeAdapter

from stopwise.grid import combine
from stopwise.grid_bytes import picture_blob, picture_from
from stopwise.ledger import content_hash
from stopwise.measurement.figures import Measurement

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


def keep_figures(ledger: Ledger, sha256: str, made: object, figures: Measurement) -> None:
    """Keep the figures of a frame by its content; `made` is what they depend on besides."""
    ledger.solos.keep(sha256, _figures_variant(made), _figures().dump_json(figures))


def kept_figures(ledger: Ledger, sha256: str, made: object) -> Measurement | None:
    """Return a frame's figures; None where they aren't kept.

    Raises
    ------
    ValueError
        If they were kept by another version of ours.
    """
    blob = ledger.solos.get(sha256, _figures_variant(made))
    return None if blob is None else _figures().validate_json(blob)


def _figures() -> TypeAdapter[Measurement]:
    return TypeAdapter(Measurement)


def _figures_variant(made: object) -> str:
    return f"figures {hashlib.sha256(repr(made).encode()).hexdigest()}"


def _variant(targets: PlanNow) -> str:
    """Return what a frame's picture depends on besides its file."""
    return f"picture {PICTURE_ACROSS}; {targets.plan.camera!r}"

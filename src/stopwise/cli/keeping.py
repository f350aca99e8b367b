"""Keep a frame in the ledger, and let the ledger learn where the camera's photosites stop."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.ledger import Place, Stamp, content_hash

if TYPE_CHECKING:
    from pathlib import Path

    from stopwise.ledger import Kept, Ledger
    from stopwise.pipeline import Assessment, Observed


def keep(ledger: Ledger, path: Path, assessment: Assessment) -> Kept:
    """Write one checked file's record, and learn from it."""
    whole = path.resolve()
    place = Place(str(whole.parent), whole.name, Stamp.of(whole.stat()))
    kept = ledger.frames.keep(assessment.record, place, sha256=content_hash(str(whole)))
    learn(ledger, kept.sha256, assessment.observed)
    return kept


def learn(ledger: Ledger, sha256: str, observed: Observed | None) -> None:
    """Add the saturation that a frame showed, and drop levels that it proved too low."""
    if observed is None:
        return
    if observed.levels:
        ledger.levels.learn(sha256, observed.levels)
    ledger.levels.refute(observed.above)

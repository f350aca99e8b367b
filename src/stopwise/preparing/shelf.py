"""The light of a plan's own frames, each decoded once and then read from the ledger."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.errors import LedgerError, PathMissing
from stopwise.grid_bytes import FORM, from_blob, to_blob
from stopwise.ledger import content_hash
from stopwise.pipeline.light import read_light

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from stopwise.grid import LightGrid
    from stopwise.ledger import Ledger
    from stopwise.pipeline.brief import LevelTable
    from stopwise.plan.now import PlanNow


class Shelf:
    """Reads the light of the plan's own frames, out of the ledger where it is kept.

    Parameters
    ----------
    targets
        What of the plan holds now: its patches' own cells are kept too.
    look
        Name of the look that is worn.
    ledger
        Where reduced light is kept; None decodes every time.
    """

    def __init__(self, targets: PlanNow, *, look: str | None, ledger: Ledger | None) -> None:
        self._targets = targets
        self._look = look
        self._ledger = ledger
        self._learned: LevelTable = {} if ledger is None else ledger.levels.believed()
        self.hashes: dict[Path, str] = {}

    def light(self, path: Path) -> LightGrid:
        """Return the light of one frame.

        Raises
        ------
        PathMissing
            If it can't be read.
        Unreadable
            If it gives no pixels.
        """
        try:
            self.hashes[path] = sha256 = content_hash(str(path.resolve()))
        except OSError as error:
            msg = f"{path} can't be read: {error.strerror}. Check that its disk is connected."
            raise PathMissing(msg) from error
        kept = self._kept(sha256)
        if kept is not None:
            return kept
        light = read_light(path, self._targets, look=self._look, learned=self._learned)
        if self._ledger is not None:
            self._keep(self._ledger, sha256, light)
        return light

    def _kept(self, sha256: str) -> LightGrid | None:
        blob = None if self._ledger is None else self._ledger.solos.get(sha256, self._variant)
        try:
            return None if blob is None else from_blob(blob)
        except ValueError:
            return None

    def _keep(self, ledger: Ledger, sha256: str, light: LightGrid) -> None:
        """Keep what was reduced; that it can't be kept is no reason to fail."""
        try:
            ledger.solos.keep(sha256, self._variant, to_blob(light))
        except LedgerError:
            self._ledger = None

    @property
    def _variant(self) -> str:
        """What the reduced light depends on besides its file, in words."""
        return "; ".join(self._parts())

    def _parts(self) -> Iterator[str]:
        camera = self._targets.plan.camera
        yield f"form {FORM}"
        yield f"balance {camera.balance}, clip {camera.raw_clip}"
        yield from sorted(f"{key} {levels}" for key, levels in self._learned.items())
        yield from (f"{patch.name} {patch.box}" for patch in self._targets.measured)

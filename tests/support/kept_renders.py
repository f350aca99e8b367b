"""Renders of the light model, made once and shared: by all processes of a run, and by later runs.

They lie in the tests' cache folder, in a folder of their own for each state of the model's code, so
that no render outlives the code that made it. What lay longest unused goes first.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import scipy

import lightmodel
from support.real_files import cache_folder

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

_MODEL = Path(lightmodel.__file__).parent
_MOST_BYTES = 3_000_000_000
_UNUSED_S = 24 * 3600.0


class KeptRenders:
    """Arrays by what was rendered, a file each; reads and writes need no lock.

    Parameters
    ----------
    folder
        Where they lie.
    """

    def __init__(self, folder: Path | None = None) -> None:
        self._all = folder or cache_folder() / "renders"
        self._folder = self._all / _state_of_model()
        self._folder.mkdir(parents=True, exist_ok=True)

    def get(self, key: str) -> dict[str, NDArray[Any]] | None:
        """Return the arrays kept under a key, or None."""
        path = self._path(key)
        try:
            with np.load(path) as found:
                arrays = {name: found[name] for name in found.files}
        except FileNotFoundError:
            return None
        with contextlib.suppress(OSError):
            path.touch()
        return arrays

    def put(self, key: str, arrays: Mapping[str, NDArray[Any]]) -> None:
        """Keep arrays under a key; whole or not at all, however many processes do so."""
        path = self._path(key)
        path.parent.mkdir(parents=True, exist_ok=True)  # another run may have tidied it away
        part = path.with_suffix(f".{os.getpid()}")
        with part.open("wb") as file:
            np.savez(file, **arrays)
        part.replace(path)

    def tidy(self) -> None:
        """Remove states of the model that nobody used for a day, and the oldest renders over 3 GB.

        Two work trees with two states of the model leave each other's renders alone.
        """
        self._folder.touch()
        for other in self._all.iterdir():
            if time.time() - other.stat().st_mtime > _UNUSED_S:
                shutil.rmtree(other, ignore_errors=True)
        paths = [(path.stat(), path) for path in self._folder.glob("*.npz")]
        total = 0
        for stat, path in sorted(paths, key=lambda one: -one[0].st_mtime):
            total += stat.st_size
            if total > _MOST_BYTES:
                path.unlink(missing_ok=True)

    def _path(self, key: str) -> Path:
        return self._folder / f"{hashlib.sha256(key.encode()).hexdigest()[:32]}.npz"


def _state_of_model() -> str:
    """Return what stands for the model's code and for the arithmetic under it."""
    digest = hashlib.sha256(f"{np.__version__} {scipy.__version__}".encode())
    for path in sorted(_MODEL.glob("*.py")):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]

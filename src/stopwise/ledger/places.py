"""Where a watched folder's ledger lies when nobody says: in the user's data folder."""

from __future__ import annotations

import hashlib
import os
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

_LONGEST_STEM = 40
_DIGITS = 12


def default_place(
    folder: str | Path,
    *,
    environment: Mapping[str, str] = os.environ,
    platform: str = sys.platform,
) -> Path:
    """Return the ledger file of a watched folder.

    Parameters
    ----------
    folder
        The watched folder; links in its path are followed, so that one folder has one ledger.
    environment, platform
        Where the user's data folder is read from; for tests.

    Returns
    -------
    Path
        A readable name made of the folder's own and a digest of its whole path.
    """
    whole = os.path.normcase(os.path.realpath(folder))
    digest = hashlib.sha256(os.fsencode(whole)).hexdigest()[:_DIGITS]
    stem = re.sub(r"[^A-Za-z0-9._-]+", "-", Path(whole).name).strip(".-")[:_LONGEST_STEM]
    name = f"{stem or 'folder'}-{digest}.sqlite"
    return data_folder(environment=environment, platform=platform) / "ledgers" / name


def data_folder(
    *, environment: Mapping[str, str] = os.environ, platform: str = sys.platform
) -> Path:
    """Return the folder for this user's data: XDG base directories, or what the system has for it.

    Source: XDG Base Directory Specification 0.8 (`XDG_DATA_HOME`, which must be absolute).
    """
    if platform == "win32":
        local = environment.get("LOCALAPPDATA")
        return (Path(local) if local else Path.home() / "AppData" / "Local") / "stopwise"
    if platform == "darwin":
        return Path.home() / "Library" / "Application Support" / "stopwise"
    named = environment.get("XDG_DATA_HOME", "")
    base = Path(named) if named.startswith("/") else Path.home() / ".local" / "share"
    return base / "stopwise"

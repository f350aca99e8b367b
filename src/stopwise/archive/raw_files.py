"""The raw files of an archive, folder by folder, in the order in which people count."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from stopwise.folder.names import in_order, is_hidden, is_raw
from stopwise.ledger import Stamp

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator


def raw_files(root: Path, *, failed: Callable[[OSError], None]) -> Iterator[tuple[str, Stamp]]:
    """Yield the raw files below a folder by their paths in it, each with its stamp.

    Links are followed neither to folders nor to files, so that nothing is counted twice; hidden
    folders are left out.

    Parameters
    ----------
    root
        The folder.
    failed
        Called with what couldn't be looked into; the rest goes on.
    """
    for folder, folders, names in os.walk(root, onerror=failed):
        folders[:] = sorted((name for name in folders if not is_hidden(name)), key=in_order)
        for name in sorted(filter(is_raw, names), key=in_order):
            path = Path(folder, name)
            stamp = Stamp.at(str(path))
            if stamp is not None:
                yield path.relative_to(root).as_posix(), stamp

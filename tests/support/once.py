"""What several tests look at is worked out once in a run, by whichever process asks first."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

_PATIENCE_S = 280.0
"""For the process that works it out; a little less than a test may take."""


def once(folder: Path, name: str, work_out: Callable[[], Any]) -> Any:
    """Return an answer that is the same for every process of a run.

    A table that one process at a time may write keeps it: who finds none works it out while the
    others wait, and where that process fails or ends, the next one does.

    Parameters
    ----------
    folder
        Shared by the processes of the run, and by no other run.
    name
        Of the answer, a file's name.
    work_out
        Called where nobody has; what it returns is kept as JSON.
    """
    place = folder / f"{name}.sqlite"
    with closing(sqlite3.connect(place, timeout=_PATIENCE_S, isolation_level=None)) as kept:
        kept.execute("BEGIN EXCLUSIVE")
        kept.execute("CREATE TABLE IF NOT EXISTS answer (json TEXT)")
        row = kept.execute("SELECT json FROM answer").fetchone()
        if row is None:
            row = (json.dumps(work_out()),)
            kept.execute("INSERT INTO answer VALUES (?)", row)
        kept.execute("COMMIT")
    return json.loads(row[0])

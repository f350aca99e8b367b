"""Imported by the fork server alone: takes its folder away as it ends, whatever ended the watch.

A process that ends by itself removes the folder in which its fork server listens and its workers
keep what they hand on; one that is killed can't, and would leave it in the system's temporary
folder. The fork server outlives it by a moment.
"""

from __future__ import annotations

import atexit
import shutil
from multiprocessing import forkserver
from pathlib import Path


@atexit.register
def take_folder_away() -> None:
    """Remove the folder in which this process listens."""
    address = getattr(forkserver._forkserver, "_forkserver_address", None)  # noqa: SLF001
    if isinstance(address, str):
        shutil.rmtree(Path(address).parent, ignore_errors=True)

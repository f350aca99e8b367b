"""Imported by the fork server alone: takes its socket away as it ends, whatever ended the watch.

A process that ends by itself removes the folder in which its fork server listens; one that is
killed can't, and would leave it in the system's temporary folder. The fork server outlives it by a
moment.
"""

from __future__ import annotations

import atexit
from contextlib import suppress
from multiprocessing import forkserver
from pathlib import Path


@atexit.register
def take_socket_away() -> None:
    """Remove the socket at which this process listens, and its folder where nothing else is."""
    address = getattr(forkserver._forkserver, "_forkserver_address", None)  # noqa: SLF001
    if isinstance(address, str):
        with suppress(OSError):
            Path(address).unlink()
            Path(address).parent.rmdir()

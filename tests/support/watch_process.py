"""A watcher in a process of its own, to be killed: `python watch_process.py FOLDER LEDGER`.

It prints `watching` once it has looked through the folder, then each kept record's file in JSON.
"""

from __future__ import annotations

import json
import sys
import threading
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from stopwise.folder.signals import ended_by_signals
from stopwise.folder.watcher import Hooks, Landing, Options, Watcher
from stopwise.ledger import Ledger
from support.watching import QUICK, assess


def say(word: object) -> None:
    """Print one line at once."""
    print(json.dumps(word), flush=True)


def heard(landing: Landing) -> None:
    """Print a kept record's file and verdict."""
    say([landing.kept.record.file, landing.kept.record.verdict])


def watch(folder: str, place: str, workers: int) -> None:
    """Watch until a signal comes."""
    with Ledger(place) as ledger:
        watcher = Watcher(
            folder,
            ledger,
            assess,
            hooks=Hooks(on_record=heard),
            options=Options(patience=QUICK, sweep_s=0.5, workers=workers),
        )
        threading.Thread(target=say_when_watching, args=(watcher,), daemon=True).start()
        with ended_by_signals(watcher.wake) as stop:
            watcher.run(stop)


def say_when_watching(watcher: Watcher) -> None:
    """Print a word once the folder has been looked through."""
    pause = threading.Event()
    while not watcher.is_watching:
        pause.wait(0.02)
    say("watching")


if __name__ == "__main__":
    watch(sys.argv[1], sys.argv[2], int(sys.argv[3]) if len(sys.argv) > 3 else 1)

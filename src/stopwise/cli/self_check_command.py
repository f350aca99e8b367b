"""`stopwise self-check`: what this machine and installation can do, for a report of a fault."""

from __future__ import annotations

import importlib.metadata
import os
import platform
import shutil
import socket
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from stopwise.cli.options import PATH
from stopwise.errors import PathMissing, StopwiseError, refusal

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from stopwise.findings import State

_PACKAGES = ("rawpy", "numpy", "scipy", "scikit-image", "watchdog", "matplotlib", "pydantic")
"""Whose versions a report needs first: those that decode, measure and listen."""

_EXTRAS = (("heic", "pillow-heif"), ("parquet", "pyarrow"), ("cluster", "distributed"))

_CODECS = {
    "DNGLOSSYCODEC": "lossy DNG",
    "DNGDEFLATECODEC": "deflated DNG",
    "OPENMP": "several threads",
    "X3FTOOLS": "layered sensors",
}
"""What the decoding library may have been built with, as far as raw files need it."""

_EVENT_S = 5.0
"""Seconds in which the system tells of a new file, if it ever does."""


@dataclass(frozen=True, slots=True)
class SelfChecked:
    """One thing that was looked at: what, what was found, and whether it is as it should be."""

    what: str
    found: str
    state: State = "holds"


@click.command("self-check")
@click.argument("folder", metavar="[FOLDER]", required=False, type=PATH)
def self_check(folder: Path | None) -> int:
    """Look at what stopwise stands on here: versions, decoder, folder events, ledger, page.

    With FOLDER also at that folder; nothing is written in it. Ends with 1 where something isn't as
    it should be. Its text holds no name of yours: put it under a report of a fault.

    Example: stopwise self-check ~/shoots/today
    """
    from rich.text import Text

    from stopwise.report.terminal import Terminal

    if folder is not None and not folder.is_dir():
        msg = f"{folder} isn't a folder that is there. Name the one that the camera fills."
        raise PathMissing(msg)
    is_fine = True
    with Terminal() as terminal:
        for one in _looked_at(folder):
            is_fine &= one.state != "fails"
            line = terminal.style.told(one.state, f"{one.what:<14}{_nameless(one.found)}")
            terminal.show(Text.assemble(line))
    return 0 if is_fine else 1


def _looked_at(folder: Path | None) -> Iterator[SelfChecked]:
    yield _program()
    yield _machine()
    yield _packages()
    yield from (_attempt(what, look) for what, look in _LOOKS)
    if folder is not None:
        yield _attempt("this folder", lambda: _of_folder(folder))


def _attempt(what: str, look: Callable[[], SelfChecked]) -> SelfChecked:
    """Return what a look finds; one that breaks has found a fault."""
    try:
        return look()
    except OSError as error:
        return SelfChecked(what, f"{error.filename or 'it'}: {refusal(error)}", "fails")
    except (StopwiseError, ImportError, RuntimeError, ValueError) as error:
        return SelfChecked(what, str(error), "fails")


def _program() -> SelfChecked:
    import stopwise

    return SelfChecked("stopwise", f"{stopwise.__version__}, Python {platform.python_version()}")


def _machine() -> SelfChecked:
    memory = ""
    if hasattr(os, "sysconf") and "SC_PHYS_PAGES" in os.sysconf_names:
        memory = f", {os.sysconf('SC_PAGE_SIZE') * os.sysconf('SC_PHYS_PAGES') / 1e9:.0f} GB"
    system = f"{platform.system()} {platform.release()} {platform.machine()}"
    return SelfChecked("machine", f"{system}, {os.cpu_count()} cores{memory}")


def _packages() -> SelfChecked:
    told = [f"{name} {importlib.metadata.version(name)}" for name in _PACKAGES]
    extras = [extra for extra, name in _EXTRAS if _has(name)]
    return SelfChecked("packages", ", ".join(told) + f"; extras: {', '.join(extras) or 'none'}")


def _has(package: str) -> bool:
    try:
        importlib.metadata.version(package)
    except importlib.metadata.PackageNotFoundError:
        return False
    return True


def _decoder() -> SelfChecked:
    import rawpy

    version = ".".join(map(str, rawpy.libraw_version))
    flags = rawpy.flags or {}
    can = [words for flag, words in _CODECS.items() if flags.get(flag)]
    cannot = [words for flag, words in _CODECS.items() if not flags.get(flag)]
    without = f"; without {', '.join(cannot)}" if cannot else ""
    return SelfChecked("decoder", f"LibRaw {version}: {', '.join(can)}{without}")


def _whole_way() -> SelfChecked:
    """Take a sample frame from its file to its record."""
    from stopwise.cli.demo_command import sample_folder
    from stopwise.pipeline import assess
    from stopwise.plan import load_plan

    folder = sample_folder()
    start = time.perf_counter()
    record = assess(folder / "F0011.dng", load_plan(folder / "plan.toml"))
    took_s = time.perf_counter() - start
    state: State = "holds" if record.verdict == "on plan" else "fails"
    return SelfChecked("a frame", f"{record.verdict}, as it was made, in {took_s:.1f} s", state)


def _events() -> SelfChecked:
    """Wait for the system to tell of a file in a folder of our own."""
    from stopwise.folder.scanner import FolderEvents

    told = threading.Event()
    with tempfile.TemporaryDirectory(prefix="stopwise-") as place:
        events = FolderEvents(place, lambda _: told.set(), is_polling=False)
        why = events.start()
        try:
            start = time.perf_counter()
            Path(place, "frame.dng").touch()
            came = why is None and told.wait(_EVENT_S)
            took_ms = 1000.0 * (time.perf_counter() - start)
        finally:
            events.close()
    if came:
        return SelfChecked("folder events", f"come in {took_ms:.0f} ms")
    none = why or f"none came in {_EVENT_S:.0f} s"
    return SelfChecked("folder events", f"{none}; the watch looks by itself", "on the line")


def _ledger() -> SelfChecked:
    """Make a ledger where ledgers are kept, and take it away again."""
    from stopwise.ledger import Ledger, data_folder

    home = data_folder()
    home.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="self-check-", dir=home) as place:
        with Ledger(Path(place, "ledger.sqlite")) as ledger:
            ledger.settings.set("self-check", value=True)
        free_gb = shutil.disk_usage(place).free / 1e9
    return SelfChecked("ledger", f"can be written in {home}, {free_gb:.0f} GB free")


def _page() -> SelfChecked:
    """Listen where a page would, on any free port."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        host, port = listening.getsockname()[:2]
        with socket.create_connection((host, port), timeout=_EVENT_S):
            pass
    return SelfChecked("page", f"can be served on {host}")


_LOOKS = (
    ("decoder", _decoder),
    ("a frame", _whole_way),
    ("folder events", _events),
    ("ledger", _ledger),
    ("page", _page),
)
"""What is tried out, by the name that it has where it breaks."""


def _of_folder(folder: Path) -> SelfChecked:
    """Say what a tether folder is like; it is only read."""
    from stopwise.folder.names import is_raw

    names = [path.name for path in folder.iterdir()]
    raws = sum(map(is_raw, names))
    free_gb = shutil.disk_usage(folder).free / 1e9
    kind = _file_system(folder)
    on = f" on {kind}" if kind else ""
    told = f"{len(names)} entries, {raws} raw files{on}, {free_gb:.0f} GB free"
    return SelfChecked("this folder", told)


def _file_system(folder: Path) -> str:
    """Return the kind of file system that a folder lies on, by the system's mounts (proc(5))."""
    try:
        mounts = [line.split() for line in Path("/proc/mounts").read_text().splitlines()]
    except OSError:
        return ""
    whole = folder.resolve()
    over = [one for one in mounts if whole.is_relative_to(one[1])]
    return max(over, key=lambda one: len(one[1]))[2] if over else ""


def _nameless(words: str) -> str:
    """Return words without this user's home, which tells a name."""
    return words.replace(str(Path.home()), "~")

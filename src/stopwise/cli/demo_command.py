"""`stopwise demo`: the sample frames replayed into a folder that the real watch watches."""

from __future__ import annotations

import json
import shutil
import tempfile
import threading
import time
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from stopwise.cli.options import PATH
from stopwise.cli.watching import Shown, WatchRun
from stopwise.errors import PathMissing
from stopwise.folder.states import Waits
from stopwise.folder.watcher import Options
from stopwise.ledger import Ledger
from stopwise.pipeline import Brief
from stopwise.plan import load_plan

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from stopwise.folder.watcher import Landing
    from stopwise.record import Record
    from stopwise.report.terminal import Terminal


_SETTLE_S = 2.0  # seconds of rest before a file may be called unreadable: here all land fast
_MOST_S = 30.0  # seconds that the demo waits for one verdict, on a slow machine too
_SLIP_EDGE = 1024  # blocks along the longer side of the picture: what a slip has room for


@dataclass(frozen=True, slots=True)
class Told:
    """How the replay went.

    Attributes
    ----------
    frames
        Number of frames that were recorded.
    strayed
        Names of frames with another verdict than they were made for, or with none.
    seconds
        How long it took.
    """

    frames: int
    strayed: tuple[str, ...]
    seconds: float


def sample_folder() -> Path:
    """Return the folder of the sample frames: the checkout's, or the one that was installed.

    Raises
    ------
    PathMissing
        If neither is there.
    """
    package = Path(__file__).parents[1]
    for folder in (package.parents[1] / "sample_frames", package / "sample_frames"):
        if (folder / "truth.json").is_file():
            return folder
    msg = "The sample frames are not installed. Run the demo from a checkout of the project."
    raise PathMissing(msg)


class Easel:
    """Draws slips in a thread of its own, so that no frame waits for the drawing of another."""

    def __init__(self) -> None:
        self._hand = ThreadPoolExecutor(1)
        self._drawn: list[Future[None]] = []

    def draw(self, write: Callable[..., None], *what: Any, **how: Any) -> None:
        """Draw when those before it are drawn."""
        self._drawn.append(self._hand.submit(write, *what, **how))

    def close(self) -> None:
        """Wait until all is drawn.

        Raises
        ------
        StopwiseError
            The first one that came up in drawing.
        """
        self._hand.shutdown()
        for slip in self._drawn:
            slip.result()


class Replay:
    """Lands the frames of a sample folder, one after the other, and shows what is said of each.

    Parameters
    ----------
    source
        Folder with the frames, `plan.toml` and `truth.json`.
    stage
        An empty folder; the frames land in its `shoot`, slips in its `slips`.
    terminal
        Where to print.
    """

    def __init__(self, source: Path, stage: Path, terminal: Terminal) -> None:
        self.shoot, self.slips = stage / "shoot", stage / "slips"
        self.shoot.mkdir()
        self.slips.mkdir()
        self._source = source
        self._terminal = terminal
        truth = json.loads((source / "truth.json").read_text(encoding="utf-8"))
        self._made: dict[str, dict[str, Any]] = truth["frames"]
        self._verdicts: dict[str, str] = {}
        self._landed = threading.Condition()
        self._easel = Easel()
        shutil.copy(source / "plan.toml", self.shoot)
        self._plan = load_plan(self.shoot / "plan.toml")

    def run(self) -> Told:
        """Replay all frames and return how it went."""
        start = time.monotonic()
        with Ledger(":memory:") as ledger:
            run = WatchRun(
                self.shoot,
                ledger,
                Shown(self._show, self._terminal.note, self._draw),
                plan_path=self.shoot / "plan.toml",
                options=Options(waits=Waits(_SETTLE_S)),
                brief=Brief(picture_edge=_SLIP_EDGE),
            )
            stop = threading.Event()
            hand = threading.Thread(target=self._land_all, args=(run, stop), daemon=True)
            hand.start()
            run.run(stop)
            hand.join()
        self._easel.close()
        strayed = tuple(name for name in self._made if not self._is_as_made(name))
        return Told(len(self._verdicts), strayed, time.monotonic() - start)

    def _land_all(self, run: WatchRun, stop: threading.Event) -> None:
        try:
            for name, made in self._made.items():
                run.wear(made["look"])
                self._land(name)
                self._await(name)
        finally:
            stop.set()
            run.watcher.wake()

    def _land(self, name: str) -> None:
        """Write a file as a camera does over its cable: in pieces, with a pause between."""
        content = (self._source / name).read_bytes()
        middle = len(content) // 2
        with (self.shoot / name).open("wb") as file:
            file.write(content[:middle])
            file.flush()
            time.sleep(0.05)
            file.write(content[middle:])

    def _await(self, name: str) -> None:
        with self._landed:
            self._landed.wait_for(lambda: name in self._verdicts, timeout=_MOST_S)

    def _show(self, record: Record) -> None:
        name = record.file
        self._verdicts[name] = record.verdict
        self._terminal.frame(record)
        made: Mapping[str, Any] = self._made[name]
        stray = "" if self._is_as_made(name) else f" It was made {made['verdict']}!"
        self._terminal.note(f"    made to show: {made['shows']}{stray}")

    def _draw(self, landing: Landing) -> None:
        """Have the slip drawn beside the watch, and let the next frame land."""
        from stopwise.report.slip import write_slip

        picture = None if landing.assessment is None else landing.assessment.picture
        slip = self.slips / f"{landing.path.stem}.png"
        self._easel.draw(write_slip, slip, landing.kept.record, picture)
        with self._landed:
            self._landed.notify_all()

    def _is_as_made(self, name: str) -> bool:
        made = self._made[name]["verdict"] or "measured"
        return self._verdicts.get(name) == made


@click.command()
@click.option("--frames", "source", type=PATH, help="Another folder of made frames.")
@click.option("--into", "stage", type=PATH, help="An empty folder to work in; kept afterwards.")
def demo(source: Path | None, stage: Path | None) -> int:
    """Replay a made shoot: each verdict beside what the frame was made to show.

    Example: stopwise demo
    """
    from stopwise.report.terminal import Terminal

    place = stage or Path(tempfile.mkdtemp(prefix="stopwise-demo-"))
    with Terminal() as terminal:
        replay = Replay(source or sample_folder(), place, terminal)
        told = replay.run()
    click.echo(f"{told.frames} frames in {told.seconds:.0f} s; slips in {replay.slips}")
    if told.strayed:
        click.echo(f"stopwise: not as made: {', '.join(told.strayed)}", err=True)
    return 1 if told.strayed else 0

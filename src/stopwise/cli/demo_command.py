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
from typing import TYPE_CHECKING

import click

from stopwise.cli.check_command import SLIP_EDGE
from stopwise.cli.options import PATH
from stopwise.cli.printing import say, tell
from stopwise.cli.watching import Shown, WatchRun
from stopwise.errors import PathMissing, WrongUse
from stopwise.folder.states import Waits
from stopwise.folder.watcher import Options
from stopwise.ledger import Ledger
from stopwise.pipeline import Brief
from stopwise.plan import load_plan
from stopwise.report.slip_file import make_folder

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.folder.watcher import Landing
    from stopwise.record import Record
    from stopwise.report.terminal import Terminal


_SETTLE_S = 2.0  # seconds of rest before a file may be called unreadable: here all land fast
_MOST_S = 30.0  # seconds that the demo waits for one verdict, on a slow machine too


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


@dataclass(frozen=True, slots=True)
class MadeFrame:
    """What a sample frame was made for: its verdict, the look that is worn, what it shows."""

    verdict: str
    look: str | None
    shows: str


def made_frames(source: Path) -> dict[str, MadeFrame]:
    """Read what each frame of a sample folder was made for, in the order of the day.

    Raises
    ------
    PathMissing
        If the folder holds no such frames.
    """
    try:
        truth = json.loads((source / "truth.json").read_text(encoding="utf-8"))["frames"]
        made = {
            name: MadeFrame(one["verdict"] or "measured", one["look"], one["shows"])
            for name, one in truth.items()
        }
        gone = [name for name in (*made, "plan.toml") if not (source / name).is_file()]
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        gone = ["truth.json"]
    if gone:
        msg = f"{source} holds no made frames: look at its {gone[0]}, or leave --frames out."
        raise PathMissing(msg)
    return made


def empty_stage(place: Path | None) -> Path:
    """Return an empty folder to work in: the one that is named, else a temporary one.

    Raises
    ------
    WrongUse
        If it holds something, or can't be made.
    """
    if place is None:
        return Path(tempfile.mkdtemp(prefix="stopwise-demo-"))
    make_folder(place)
    if any(place.iterdir()):
        msg = f"{place} isn't empty, and the demo writes over nothing. Name an empty folder."
        raise WrongUse(msg)
    return place


class Replay:
    """Lands the frames of a sample folder, one after the other, and shows what is said of each.

    Parameters
    ----------
    source
        Folder with the frames and `plan.toml`.
    made
        What each was made for, in the order in which they land.
    stage
        An empty folder; the frames land in its `shoot`, slips in its `slips`.
    terminal
        Where to print.
    """

    def __init__(
        self, source: Path, made: Mapping[str, MadeFrame], stage: Path, terminal: Terminal
    ) -> None:
        self.shoot, self.slips = stage / "shoot", stage / "slips"
        self.shoot.mkdir()
        self.slips.mkdir()
        self._source = source
        self._terminal = terminal
        self._made = made
        self._verdicts: dict[str, str] = {}
        self._landed = threading.Condition()
        self._drawing = ThreadPoolExecutor(1)  # beside the watch, so that no frame waits for it
        self._drawn: list[Future[Path]] = []
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
                brief=Brief(picture_edge=SLIP_EDGE),
            )
            stop = threading.Event()
            with ThreadPoolExecutor(1) as hand:
                landing = hand.submit(self._land_all, run, stop)
                try:
                    run.run(stop)
                finally:
                    stop.set()
                    self._wake()
                landing.result()
        self._drawing.shutdown()
        for slip in self._drawn:
            slip.result()
        strayed = tuple(name for name in self._made if not self._is_as_made(name))
        return Told(len(self._verdicts), strayed, time.monotonic() - start)

    def _land_all(self, run: WatchRun, stop: threading.Event) -> None:
        try:
            for name, made in self._made.items():
                run.wear(made.look)
                self._land(name)
                with self._landed:
                    self._landed.wait_for(
                        lambda: stop.is_set() or name in self._verdicts,  # noqa: B023
                        timeout=_MOST_S,
                    )
                if stop.is_set():
                    return
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

    def _wake(self) -> None:
        with self._landed:
            self._landed.notify_all()

    def _show(self, record: Record) -> None:
        name = record.file
        self._verdicts[name] = record.verdict
        self._terminal.frame(record)
        made = self._made[name]
        stray = "" if self._is_as_made(name) else f" It was made {made.verdict}!"
        self._terminal.note(f"    made to show: {made.shows}{stray}")

    def _draw(self, landing: Landing) -> None:
        """Have the slip drawn beside the watch, and let the next frame land."""
        from stopwise.report.slip import keep_frame_slip

        picture = None if landing.assessment is None else landing.assessment.picture
        what = (self.slips, landing.path, landing.kept.record, picture)
        self._drawn.append(self._drawing.submit(keep_frame_slip, *what))
        self._wake()

    def _is_as_made(self, name: str) -> bool:
        return self._verdicts.get(name) == self._made[name].verdict


@click.command()
@click.option("--frames", "source", type=PATH, help="Another folder of made frames.")
@click.option("--into", "stage", type=PATH, help="An empty folder to work in; kept afterwards.")
def demo(source: Path | None, stage: Path | None) -> int:
    """Replay a made shoot: each verdict beside what the frame was made to show.

    Example: stopwise demo
    """
    from stopwise.report.terminal import Terminal

    source = source or sample_folder()
    made = made_frames(source)
    with Terminal() as terminal:
        replay = Replay(source, made, empty_stage(stage), terminal)
        told = replay.run()
    say(f"{told.frames} frames in {told.seconds:.0f} s; slips in {replay.slips}")
    if told.strayed:
        tell(f"not as made: {', '.join(told.strayed)}")
    return 1 if told.strayed else 0

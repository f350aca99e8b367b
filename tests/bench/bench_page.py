"""How soon the page shows a frame, how it bears a long day, and what its viewers cost the watch.

Run: ``python tests/bench/bench_page.py [--frames 30] [--day 5000] [--more 1000] [--blocks 8]``

1. Sample frames land under the real `stopwise watch --page`. From the moment at which a record is
   written into the ledger until a browser has painted its headline, and until its picture stands.
2. A ledger that holds a long day: how soon a page stands that is opened then, and what its memory
   comes to while more frames land.
3. Frames land in handfuls, in turn with nobody and with twenty viewers at the page. The viewers
   read the live stream and fetch every picture, as pages do; drawing is their own machines' work.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sqlite3
import statistics
import sys
import tempfile
import threading
import time
import urllib.request
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from playwright.sync_api import sync_playwright

from stopwise.page.server import PageServer
from support.page_process import SAMPLES, PageProcess
from support.page_scene import key_hot, on_plan, scene_in

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import CDPSession, Page

VIEWERS = 20
SAMPLE = "F0011.dng"

CLOCK = """
    window.shown = {};
    const now = () => performance.timeOrigin + performance.now();
    const after = (done) => requestAnimationFrame(() => requestAnimationFrame(done));
    const file = () => document.querySelector('#facts dd')?.textContent;
    new MutationObserver(() => {
      const name = file();
      after(() => { window.shown[name] ??= [now(), null]; });
    }).observe(document.querySelector('#facts'), {childList: true});
    new MutationObserver(() => {
      const name = file();
      after(() => { if (window.shown[name]) window.shown[name][1] ??= now(); });
    }).observe(document.querySelector('#picture'), {childList: true});
"""


@contextmanager
def browser_page() -> Iterator[Page]:
    """Open a page in Debian's browser, or the one that STOPWISE_BROWSER names."""
    path = os.environ.get("STOPWISE_BROWSER") or shutil.which("chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=path, args=["--no-sandbox", "--enable-precise-memory-info"]
        )
        yield browser.new_page(viewport={"width": 1440, "height": 900})
        browser.close()


def variant(number: int) -> bytes:
    """Return the sample frame as another content: bytes after its end change no photosite."""
    return (SAMPLES / SAMPLE).read_bytes() + number.to_bytes(8, "big")


def land(watch: PageProcess, number: int) -> str:
    """Have one more frame land whole, and return its name."""
    name = f"N{number:05d}.dng"
    aside = watch.shoot.parent / name
    aside.write_bytes(variant(number))
    aside.rename(watch.shoot / name)
    return name


def shown_after(stage: Path, frames: int) -> None:
    """Measure from the record's writing to the painted page."""
    with PageProcess(stage, workers=2) as watch, browser_page() as page:
        page.goto(watch.address)
        page.evaluate(CLOCK)
        for number in range(frames + 1):
            name = land(watch, number)
            page.wait_for_function("(name) => window.shown[name]?.[1]", arg=name, timeout=60_000)
        shown = page.evaluate("window.shown")
    written = written_ms(stage)
    names = [f"N{number:05d}.dng" for number in range(1, frames + 1)]  # the first warms all up
    print_spread("record written to headline painted", [shown[n][0] - written[n] for n in names])
    print_spread("record written to picture painted", [shown[n][1] - written[n] for n in names])


def written_ms(stage: Path) -> dict[str, float]:
    """Return when each file's record was written, milliseconds since 1970."""
    with sqlite3.connect(stage / "ledger.sqlite") as ledger:
        rows = ledger.execute("SELECT json_extract(record, '$.file'), kept_ns FROM frames")
        return {name: kept_ns / 1e6 for name, kept_ns in rows}


def long_day(stage: Path, day: int, more: int) -> None:
    """Measure a page that is opened late in a long day, and its memory from there on."""
    scene = scene_in(stage)
    with scene.ledger.atomic():
        for number in range(day):
            scene.keep(on_plan() if number % 3 else key_hot())
    with PageServer(scene.live) as server, browser_page() as page:
        paints, calls = [], []
        for _ in range(7):
            page.goto(server.address)
            page.wait_for_function("() => document.querySelector('#shown-file').textContent !== ''")
            calls.append(page.evaluate("performance.now()"))
            paints.append(
                page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime")
            )
        print_spread(f"{day} frames: first paint", paints)
        print_spread(f"{day} frames: the last frame's call on the page", calls)
        session = page.context.new_cdp_session(page)
        session.send("Performance.enable")
        for landed in range(more + 1):
            if landed % max(more // 5, 1) == 0:
                print(f"after {landed} more frames: {memory(session, page)}")
            scene.land(on_plan() if landed % 3 else key_hot(), size=(960, 640))
            page.wait_for_function(
                "(n) => document.querySelector('#image').alt.startsWith(`Frame ${n},`)",
                arg=scene.frames[-1].frame,
            )
    scene.live.pictures.close()
    scene.ledger.close()


def memory(session: CDPSession, page: Page) -> str:
    """Return the page's heap and nodes once what is unused is collected."""
    page.wait_for_timeout(500)
    session.send("HeapProfiler.collectGarbage")
    found = {one["name"]: one["value"] for one in session.send("Performance.getMetrics")["metrics"]}
    heap, nodes = found["JSHeapUsedSize"] / 1e6, int(found["Nodes"])
    return f"{heap:.2f} MB of heap, {nodes} nodes, {int(found['JSEventListeners'])} listeners"


class Viewers:
    """Viewers at a page, from entry to exit, in a process of their own."""

    def __init__(self, address: str, count: int) -> None:
        self._arguments = (address, count)

    def __enter__(self) -> None:
        import multiprocessing

        spawn = multiprocessing.get_context("spawn")
        ready = spawn.Event()
        self._process = spawn.Process(target=view_all, args=(*self._arguments, ready), daemon=True)
        self._process.start()
        ready.wait(30)

    def __exit__(self, *_: object) -> None:
        self._process.terminate()
        self._process.join()


def view_all(address: str, count: int, ready: Any) -> None:
    """Follow the stream in as many threads as there are viewers."""
    there = threading.Semaphore(0)
    for _ in range(count):
        threading.Thread(target=view, args=(address, there), daemon=True).start()
    for _ in range(count):
        there.acquire()
    ready.set()
    threading.Event().wait()


def view(address: str, there: threading.Semaphore) -> None:
    """Follow the stream, and fetch picture and lines of each frame."""
    with urllib.request.urlopen(address + "events") as stream:  # noqa: S310 - our own, on loopback
        there.release()
        for line in stream:
            if not line.startswith(b"id: "):
                continue
            for what in ("picture", "overlay"):
                number = int(line[4:])
                with urllib.request.urlopen(f"{address}{what}/{number}") as answer:  # noqa: S310
                    answer.read()


def pace(stage: Path, blocks: int, *, handful: int = 6) -> None:
    """Measure how long handfuls of frames take with nobody and with viewers, in turn."""
    seconds: dict[int, list[float]] = {0: [], VIEWERS: []}
    with PageProcess(stage, workers=2) as watch:
        for block in range(2 * blocks + 1):
            count = VIEWERS if block % 2 else 0
            with Viewers(watch.address, count):
                start = time.monotonic()
                for place in range(handful):
                    land(watch, block * handful + place)
                for _ in range(handful):
                    watch.judged()
                taken = time.monotonic() - start
                time.sleep(0.5)
            if block:  # the first warms the workers
                seconds[count].append(taken / handful)
    alone, watched = (statistics.median(seconds[count]) for count in (0, VIEWERS))
    ratios = [b / a for a, b in zip(seconds[0], seconds[VIEWERS], strict=False)]
    print(
        f"seconds a frame: {alone:.3f} with nobody, {watched:.3f} with {VIEWERS} viewers; "
        f"ratio {watched / alone:.3f} (of neighbours {statistics.median(ratios):.3f})"
    )


def print_spread(what: str, ms: list[float]) -> None:
    """Print median and extremes in milliseconds."""
    print(f"{what}: median {statistics.median(ms):.0f} ms, {min(ms):.0f} to {max(ms):.0f} ms")


def main() -> None:
    """Run all three."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--frames", type=int, default=30)
    options.add_argument("--day", type=int, default=5000)
    options.add_argument("--more", type=int, default=1000)
    options.add_argument("--blocks", type=int, default=8)
    options.add_argument("--only", type=int, choices=(1, 2, 3))
    chosen = options.parse_args()
    runs = {
        1: lambda stage: shown_after(stage, chosen.frames),
        2: lambda stage: long_day(stage, chosen.day, chosen.more),
        3: lambda stage: pace(stage, chosen.blocks),
    }
    for number, run in runs.items():
        if chosen.only in (None, number):
            with tempfile.TemporaryDirectory() as folder:
                run(Path(folder))


if __name__ == "__main__":
    main()

"""How soon light can be tried on the page, how it follows a finger, and what it holds in a browser.

Run: ``python tests/bench/bench_trying.py [--rounds 3]``

The sample frames' solos are enlarged to 45 megapixels, cell by cell, with noise of their own. From
the key that opens the question until its first picture stands: as soon as the page itself does,
and once the solos were read for it. Then a fader goes up and down for some seconds, a place for
each picture that the browser paints. Memory is what the browser's own heap says of the page: its
objects and its arrays.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
for place in (ROOT / "tests", ROOT / "sample_frames"):
    sys.path.insert(0, str(place))

from playwright.sync_api import sync_playwright  # noqa: E402 - after the path to our own helpers

from lightmodel.dng import DngSpec, write_dng  # noqa: E402
from stopwise.ledger import Ledger  # noqa: E402
from stopwise.page.live import LivePage  # noqa: E402
from stopwise.page.server import PageServer  # noqa: E402
from stopwise.page.trying import Trying  # noqa: E402
from stopwise.plan import load_plan  # noqa: E402
from stopwise.raw import decode  # noqa: E402
from stopwise.shoot.dialling import prepare_dials  # noqa: E402
from support.page_process import MARKED, SAMPLES  # noqa: E402

if TYPE_CHECKING:
    from playwright.sync_api import Page

SIZE = (8192, 5464)
"""Photosites of 45 megapixels."""

_WELL = 15.0
"""Electrons a raw level, about."""

OPEN = """
    () => new Promise((done) => {
      const began = performance.now();
      document.body.dispatchEvent(new KeyboardEvent('keydown', {key: 'y', bubbles: true}));
      const look = () => (document.querySelector('.trying canvas') ? requestAnimationFrame(
        () => done(performance.now() - began)) : requestAnimationFrame(look));
      look();
    })
"""
DRAG = """
    (seconds) => new Promise((done) => {
      const fader = document.querySelector('.fader input');
      const began = performance.now();
      let painted = 0;
      const step = () => {
        const past = performance.now() - began;
        if (past > 1000 * seconds) return done(painted / seconds);
        fader.value = 40 + Math.round(20 * Math.sin(past / 300));
        fader.dispatchEvent(new Event('input', {bubbles: true}));
        painted += 1;
        requestAnimationFrame(step);
      };
      requestAnimationFrame(step);
    })
"""


def enlarge(sample: Path, place: Path, rng: np.random.Generator) -> None:
    """Write a sample frame at 45 megapixels: its cells repeated, with shot noise."""
    frame = decode(sample)
    tall, wide = (side // 2 for side in frame.mosaic.shape)
    columns, rows = (
        np.arange(new // 2) * old // (new // 2) for new, old in zip(SIZE, (wide, tall), strict=True)
    )
    cells = frame.mosaic.reshape(tall, 2, wide, 2)[rows][:, :, columns]
    large = cells.reshape(SIZE[1], SIZE[0]).astype(np.float32)
    black = np.asarray(frame.levels.black)[frame.pattern]
    noise = rng.standard_normal(large.shape, np.float32)
    noise *= np.sqrt(np.maximum(large - float(black.mean()), 1.0) / _WELL)
    white = int(frame.levels.white)
    mosaic = np.clip(np.rint(large + noise), 0, white).astype(np.uint16)
    spec = DngSpec(compression="none", bits=16, black=black, white=white)
    write_dng(place, mosaic, spec=spec)


def held_mb(page: Page) -> float:
    """Return what the page's objects and arrays hold, megabytes, after rubbish is collected."""
    session = page.context.new_cdp_session(page)
    session.send("HeapProfiler.collectGarbage")
    heap = session.send("Runtime.getHeapUsage")
    return (heap["usedSize"] + heap.get("backingStorageSize", 0)) / 1e6


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=3)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        shutil.copy(SAMPLES / "plan.toml", folder)
        for marked in MARKED:
            enlarge(SAMPLES / marked, folder / marked, np.random.default_rng(5))
        plan_path = folder / "plan.toml"
        with Ledger(folder / "day.sqlite") as ledger, sync_playwright() as playwright:
            began = time.monotonic()
            prepare_dials(plan_path, ledger=ledger)
            print(f"reduced and kept in {time.monotonic() - began:.1f} s, once")
            browser = playwright.chromium.launch(
                executable_path=shutil.which("chromium"), args=["--no-sandbox"]
            )
            for _ in range(asked.rounds):
                live = LivePage(
                    ledger, folder, plan=lambda: load_plan(plan_path), plan_path=plan_path
                )
                live.trying = Trying(plan_path, ledger, lambda: None)
                with PageServer(live) as server:
                    page = browser.new_page(viewport={"width": 1440, "height": 900})
                    page.goto(server.address)
                    page.locator("#floor").wait_for()
                    before = held_mb(page)
                    live.trying.opened()  # as the page has it done at leisure
                    live.trying.light()
                    soon = page.evaluate(OPEN)
                    canvas = page.locator(".trying canvas").first
                    wide = canvas.evaluate("one => one.width")
                    rate = page.evaluate(DRAG, 4)
                    print(
                        f"first picture {soon / 1000:.2f} s after the key, {wide} wide; "
                        f"{rate:.0f} pictures a second; {held_mb(page):.0f} MB "
                        f"({before:.0f} before)"
                    )
                    page.close()
                live.close()
            browser.close()


if __name__ == "__main__":
    main()

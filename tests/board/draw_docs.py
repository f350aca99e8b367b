"""Draw the pictures of docs/board.md anew: the sample frames on the board, at three sizes.

Run it in the project's folder: python tests/board/draw_docs.py
"""

from __future__ import annotations

import io
import shutil
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests"))

from PIL import Image  # noqa: E402 - after the path to our own helpers
from playwright.sync_api import sync_playwright  # noqa: E402

from stopwise.board.serving import BoardServer  # noqa: E402
from stopwise.decoding import decode  # noqa: E402
from stopwise.judging import judge  # noqa: E402
from stopwise.measuring import Known, read  # noqa: E402
from stopwise.measuring.picture import reduce_picture  # noqa: E402
from stopwise.plan import load_plan  # noqa: E402
from stopwise.record import Heading, frame_record  # noqa: E402
from stopwise.report.drawable import drawable_of  # noqa: E402
from support.board_scene import Scene, scene_in  # noqa: E402

if TYPE_CHECKING:
    from stopwise.plan.model import Plan

FRAMES = ("F0009", "F0010", "F0011", "F0015", "F0016", "F0013")
SIZES = {"phone": (375, 812), "laptop": (1440, 900), "4k": (3840, 2160)}
_QUALITY = 78
_SETTLE_S = 2.0


def main() -> None:
    """Write docs/board-phone.jpg, docs/board-laptop.jpg and docs/board-4k.jpg."""
    browser_path = shutil.which("chromium")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        shutil.copy(ROOT / "sample_frames" / "plan.toml", folder)
        scene = scene_in(Path(folder))
        plan = load_plan(scene.plan_path)
        browser = playwright.chromium.launch(executable_path=browser_path, args=["--no-sandbox"])
        with BoardServer(scene.desk) as server:
            page = browser.new_page()
            page.goto(server.address)
            for name in FRAMES:
                _land(scene, plan, name)
            for name, (width, height) in SIZES.items():
                page.set_viewport_size({"width": width, "height": height})
                time.sleep(_SETTLE_S)
                _keep(page.screenshot(), ROOT / "docs" / f"board-{name}.jpg")
        browser.close()
        scene.desk.pictures.close()
        scene.ledger.close()


def _land(scene: Scene, plan: Plan, name: str) -> None:
    samples = ROOT / "sample_frames"
    frame = decode(samples / f"{name}.dng")
    known = Known(
        reference=read(decode(samples / "F0011.dng"), plan).blocks,
        plate=read(decode(samples / "F0003.dng"), plan).blocks,
    )
    reading = read(frame, plan, known=known)
    verdict = judge(reading.measurement, plan)
    record = frame_record(Heading(f"{name}.dng", take=1), reading.measurement, verdict)
    picture = reduce_picture(
        reading.cells,
        reading.clipped,
        xyz_to_camera=frame.xyz_to_camera,
        mid_grey=plan.camera.mid_grey,
    )
    scene.desk.landed(scene.keep(record), drawable_of(picture))


def _keep(screenshot: bytes, path: Path) -> None:
    with Image.open(io.BytesIO(screenshot)) as image:
        image.convert("RGB").save(path, "JPEG", quality=_QUALITY, optimize=True)


if __name__ == "__main__":
    main()

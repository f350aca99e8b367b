"""Draw the pictures of docs/page.md anew: sample frames under the real watch, and powers tried.

Run it in the project's folder: python tests/page/draw_docs.py
"""

from __future__ import annotations

import io
import shutil
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests"))

from PIL import Image  # noqa: E402 - after the path to our own helpers
from playwright.sync_api import sync_playwright  # noqa: E402

from support.page_process import PageProcess  # noqa: E402

FRAMES = ("F0010", "F0011", "F0012", "F0013")
SIZES = {"phone": (375, 812), "laptop": (1440, 900), "4k": (3840, 2160)}
_QUALITY = 78
_SETTLE_S = 3.0
_TOLD_S = 9.0
"""What was done is told on the page for eight seconds."""


def main() -> None:
    """Write docs/page-phone.jpg, -laptop, -4k and -trying."""
    with (
        tempfile.TemporaryDirectory() as folder,
        PageProcess(Path(folder)) as watch,
        sync_playwright() as playwright,
    ):
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox"]
        )
        page = browser.new_page()
        page.goto(watch.address)
        for name in FRAMES:
            watch.land(f"{name}.dng")
            watch.judged()
        page.keyboard.press("o")  # the lamp that was out in F0012 is fixed
        time.sleep(_TOLD_S)
        for name, (width, height) in SIZES.items():
            page.set_viewport_size({"width": width, "height": height})
            time.sleep(_SETTLE_S)
            _keep(page.screenshot(), ROOT / "docs" / f"page-{name}.jpg")
        page.set_viewport_size({"width": 1440, "height": 900})
        page.keyboard.press("y")
        page.get_by_label("Hold lit cheek to shadow cheek", exact=True).check(timeout=60_000)
        for _ in range(6):
            page.get_by_role("slider", name="key", exact=True).press("ArrowRight")
        page.locator(".tried-say").scroll_into_view_if_needed()
        time.sleep(_SETTLE_S)
        _keep(page.screenshot(), ROOT / "docs" / "page-trying.jpg")
        browser.close()


def _keep(screenshot: bytes, path: Path) -> None:
    with Image.open(io.BytesIO(screenshot)) as image:
        image.convert("RGB").save(path, "JPEG", quality=_QUALITY, optimize=True)


if __name__ == "__main__":
    main()

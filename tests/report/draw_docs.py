"""Draw the README's slip, and the pictures of a comparison, a tried slip and a set sheet, anew.

Run it in the project's folder: python tests/report/draw_docs.py
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "sample_frames")]

from PIL import Image  # noqa: E402 - after the path to our own helpers
from playwright.sync_api import sync_playwright  # noqa: E402

from stopwise.cli import run  # noqa: E402
from support.checked import check_samples  # noqa: E402
from support.kept_day import SAMPLES, keep_day  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Callable

DOCS = ROOT / "docs"
WIDE = 1200
SHEET = {"width": 900, "height": 1200}
_QUALITY = 80


def main(checked: Callable[[], dict[str, Any]] = check_samples) -> None:
    """Write docs/slip.jpg, compare.jpg, tried.jpg and, of what was checked, sheet.jpg."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        shot = shutil.copytree(SAMPLES, folder / "shot", ignore=shutil.ignore_patterns("*.json"))
        plan = ("--plan", "plan.toml")
        with contextlib.chdir(shot):
            run(["check", "F0009.dng", *plan, "--slip", "slips"])
            _keep(Path("slips/F0009.png"), "slip.jpg")
            run(
                [
                    "compare",
                    "F0009.dng",
                    "F0010.dng",
                    *plan,
                    "--turned",
                    "key -0.7",
                    "--slip",
                    "two",
                ]
            )
            _keep(next(Path("two").iterdir()), "compare.jpg")
            run(["dial", *plan, "--try", "key -0.5, fill +0.3", "--slip", "tried.png"])
            _keep(Path("tried.png"), "tried.jpg")
        ledger = keep_day(folder / "day.sqlite", checked()["records"])
        run(["sheet", "--ledger", str(ledger), "--out", str(folder / "sheet.html")])
        _keep(_first_page(folder / "sheet.html"), "sheet.jpg")


def _first_page(sheet: Path) -> Path:
    """Return a picture of what a browser shows first of a sheet."""
    browser = os.environ.get("STOPWISE_BROWSER") or shutil.which("chromium")
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=browser, args=["--no-sandbox"])
        page = opened.new_page(viewport=SHEET)
        page.goto(sheet.as_uri())
        page.screenshot(path=sheet.with_suffix(".png"))
        opened.close()
    return sheet.with_suffix(".png")


def _keep(drawn: Path, name: str) -> None:
    """Keep a picture small, as docs has it."""
    with Image.open(drawn) as image:
        image.thumbnail((WIDE, WIDE))
        image.convert("RGB").save(DOCS / name, "JPEG", quality=_QUALITY, optimize=True)


if __name__ == "__main__":
    main()

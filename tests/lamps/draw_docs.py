"""Draw the pictures of docs/lamps.md anew, from the sample frames.

Run it in the project's folder: python tests/lamps/draw_docs.py
"""

from __future__ import annotations

import io
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from PIL import Image

from stopwise.grid import LightGrid, combine
from stopwise.lamps.solos import LampSet, lamp_set
from stopwise.lamps.superposition import predict, sum_against_full
from stopwise.pipeline import Brief, assess_file
from stopwise.pipeline.plan_frames import PlanFrames
from stopwise.plan import load_plan
from stopwise.plan.now import plan_now
from stopwise.report.dial_slip import draw_dial_slip, light_drawable
from stopwise.report.look import DARK
from stopwise.report.sheet import Area, Sheet
from stopwise.report.slip import draw_slip
from stopwise.shoot.dialling import prepare_dials

if TYPE_CHECKING:
    from stopwise.plan.model import Plan

ROOT = Path(__file__).parents[2]
SAMPLES, DOCS = ROOT / "sample_frames", ROOT / "docs"
FULL = "F0011.dng"
_TILE = (300, 225)
_QUALITY = 82


def main() -> None:
    """Write docs/lamps-solos.jpg, -sum.jpg, -dial.jpg and -causes.jpg."""
    plan = load_plan(SAMPLES / "plan.toml")
    targets = plan_now(plan)
    frames = PlanFrames()
    solos = {lamp: frames.light(SAMPLES / file, targets) for lamp, file in plan.frames.solo.items()}
    lamps = lamp_set(solos, frames.light(SAMPLES / "F0002.dng", targets))
    full = frames.light(SAMPLES / FULL, targets)
    _keep(_solos(lamps), "solos")
    _keep(_sum(lamps, full), "sum")
    _keep(_dialled(), "dial")
    _keep(_causes(plan), "causes")


def _keep(image: Image.Image, name: str) -> None:
    image.convert("RGB").save(DOCS / f"lamps-{name}.jpg", quality=_QUALITY, optimize=True)


def _tiles(tiles: list[tuple[str, np.ndarray]]) -> Image.Image:
    width, height = _TILE
    sheet = Sheet()
    for place, (words, image) in enumerate(tiles):
        left = 12 + place * (width + 12)
        area = Area(left, 12, left + width, 12 + height)
        extent = (area.left, area.right, area.bottom, area.top)
        sheet.axes.imshow(image, extent=extent, aspect="auto")
        sheet.text((left, height + 42), words, 19, color=DARK.text)
    drawn = Image.open(io.BytesIO(sheet.png()))
    return drawn.crop((0, 0, len(tiles) * (width + 12) + 12, height + 58))


def _solos(lamps: LampSet) -> Image.Image:
    return _tiles([(name, light_drawable(net).image) for name, net in lamps.nets.items()])


def _sum(lamps: LampSet, full: LightGrid) -> Image.Image:
    check = sum_against_full(lamps, full)
    print(f"sum of solos against {FULL}: median {np.median(check.off):+.3f}, ", end="")
    print(f"{np.mean(np.abs(check.off) <= 0.1):.1%} within 0.1 stop")
    total = predict(lamps, {})
    off = np.log2(np.maximum(total.luminance, 1e-4) / np.maximum(full.luminance, 1e-4))
    grey = np.clip(0.5 + off / 2.0, 0.0, 1.0)
    map_ = np.repeat((255 * grey[..., None]).astype(np.uint8), 3, axis=-1)
    no_hair = combine(
        [net for name, net in lamps.nets.items() if name != "hair"], [1.0] * (len(lamps.nets) - 1)
    )
    return _tiles(
        [
            ("sum of the five solos", light_drawable(total).image),
            ("the frame under all lamps", light_drawable(full).image),
            ("their difference, +-1 stop", map_),
            ("the sum without the hair lamp", light_drawable(no_hair).image),
        ]
    )


def _dialled() -> Image.Image:
    """Dial a plan that asks for a deeper picture with a brighter rim, the fill kept."""
    text = (SAMPLES / "plan.toml").read_text(encoding="utf-8")
    for old, new in (
        ("zone = 6.5", "zone = 6.0"),
        ("zone = 6.9", "zone = 6.4"),
        ("zone = 7.0", "zone = 6.5"),
        ("zone = 2.9", "zone = 2.4"),
        ("zone = 5.8\nlit_by", "zone = 5.2\nlit_by"),
        ("zone = 5.8\nfollow", "zone = 6.9\nfollow"),
        ("stops = 2.1", "stops = 1.6"),
        ("power = -3.0", "power = -0.3"),
    ):
        text = text.replace(old, new, 1)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "plan.toml"
        path.write_text(text, encoding="utf-8")
        for name in (name for one in load_plan(path).frames.marked for name in one.files):
            path.with_name(name).symlink_to(SAMPLES / name)
        done = prepare_dials(path, keep=["fill"]).solved()
    png = draw_dial_slip(done.answer, done.plan, done.sentences)
    return Image.open(io.BytesIO(png)).resize((1200, 900), Image.Resampling.LANCZOS)


def _causes(plan: Plan) -> Image.Image:
    brief = Brief(plan=plan, plan_folder=SAMPLES, picture_edge=1024)
    names = ("F0012", "F0017")
    frames = PlanFrames()
    both = Image.new("RGB", (1520, 660), DARK.ground)
    for place, name in enumerate(names):
        done = assess_file(SAMPLES / f"{name}.dng", brief, frames)
        slip = Image.open(io.BytesIO(draw_slip(done.record, done.picture)))
        part = slip.crop((0, 0, 1600, 900)).resize((752, 423), Image.Resampling.LANCZOS)
        both.paste(part, (place * 768, 0))
    return both.crop((0, 0, 1520, 423))


if __name__ == "__main__":
    sys.exit(main())

"""Draw the pictures of docs/measuring.md anew, from made sensors, paper and a made sitter.

Run it in the project's folder: python tests/measurement/draw_docs.py
"""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "sample_frames")]

import matplotlib as mpl  # noqa: E402 - after the path to our own helpers

mpl.use("Agg")
import matplotlib.pyplot as plt  # noqa: E402
import numpy as np  # noqa: E402
from matplotlib.patches import Rectangle  # noqa: E402

from stopwise import decode  # noqa: E402
from stopwise.cells import cells_of  # noqa: E402
from stopwise.frame import window  # noqa: E402
from stopwise.measurement import read  # noqa: E402
from stopwise.measurement.follow import find_patches  # noqa: E402
from stopwise.measurement.levels import find_levels, thresholds  # noqa: E402
from stopwise.measurement.noise import sensor_noise  # noqa: E402
from stopwise.measurement.paper import surface_over  # noqa: E402
from stopwise.measurement.split import mixture_of  # noqa: E402
from stopwise.report.drawable import encode_srgb  # noqa: E402
from support.grids import grid_of  # noqa: E402
from support.light_frames import Sensor, expose  # noqa: E402
from support.paper_scene import BOXES as PAPER  # noqa: E402
from support.paper_scene import blotch, exposed, wall  # noqa: E402
from support.sitter_scene import BOXES, Lamps, Pose, Scene, render  # noqa: E402

DOCS = ROOT / "docs"
INK, BLUE, ORANGE = "#222222", "#0072B2", "#D55E00"
ONES = (1.0, 1.0, 1.0)
STYLE = {
    "font.size": 9,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlesize": 9.5,
    "axes.titlelocation": "left",
}


def keep(figure: plt.Figure, name: str) -> None:
    """Write one picture of the docs."""
    figure.savefig(DOCS / f"measuring-{name}.png", dpi=110)
    plt.close(figure)


def shown(light: np.ndarray) -> np.ndarray:
    """Return light as a screen shows it, mid-grey at 18 %."""
    return encode_srgb(np.clip(light * 1.41, 0.0, 1.0).astype(np.float64))


def saturation() -> None:
    """Draw a peak of full photosites and a bright wall, in the histogram of green."""
    sensor = Sensor(ceiling=15400.0, spread=0.35, hot=2e-5, multipliers=ONES)
    columns = np.linspace(0.03, 0.3, 1200)
    full = np.tile(columns, (800, 1))
    full[200:500, 400:800] = np.linspace(0.5, 2.0, 400)
    bright = np.tile(columns, (800, 1))
    bright[200:500, 400:800] = 0.925
    figure, axes = plt.subplots(1, 2, figsize=(7.6, 2.7), sharey=True, layout="constrained")
    for axis, light, title in zip(
        axes,
        (full, bright),
        ("Full photosites: a peak", "A bright wall: as wide as shot noise"),
        strict=True,
    ):
        cells = cells_of(expose(light, sensor)[0])
        levels = find_levels(cells, noise=sensor_noise(cells))
        counts = cells.histograms[1][14000:16384].reshape(-1, 8).sum(axis=1)
        axis.fill_between(14000 + 8 * np.arange(len(counts)), counts, step="post", color="#999999")
        axis.set(
            title=title, xlabel="raw level", yscale="log", xlim=(14700, 16450), ylim=(0.7, 2e4)
        )
        axis.axvline(16383, color=INK, linestyle=":")
        axis.text(16370, 9e3, "named\nwhite", ha="right", va="center")
        if levels.saturation_source == "observed":
            axis.axvline(thresholds(levels)[1], color=ORANGE)
            where = {"ha": "right", "va": "center", "color": ORANGE}
            axis.text(thresholds(levels)[1] - 15, 7e3, "counts as\nclipped", **where)
            axis.text(15950, 3.5, "hot photosites", ha="center")
        else:
            axis.text(15750, 3.5, "nothing clipped:\nthe file's level holds", ha="center")
    axes[0].set_ylabel("photosites, green")
    keep(figure, "saturation")


def noise() -> None:
    """Variance against mean, and the line that is laid under texture."""
    rng = np.random.default_rng(2)
    light = np.tile(np.linspace(0.01, 0.6, 1200), (800, 1))
    light[:, :500] *= np.exp(rng.normal(0.0, 0.06, (200, 125))).repeat(4, 0).repeat(4, 1)
    cells = cells_of(expose(light, Sensor(gain=0.5, read=4.0))[0])
    found = sensor_noise(cells)
    assert found is not None
    plane = cells.planes[1].astype(float)
    rows, columns = plane.shape[0] // 16, plane.shape[1] // 16
    tiles = plane[: rows * 16, : columns * 16].reshape(rows, 16, columns, 16).swapaxes(1, 2)
    bend = tiles[..., :-2] - 2.0 * tiles[..., 1:-1] + tiles[..., 2:]
    means, variances = tiles.mean(axis=(2, 3)).ravel() - 512.0, (bend**2).mean(axis=(2, 3)) / 6.0
    figure, axis = plt.subplots(figsize=(5.2, 3.0), layout="constrained")
    axis.plot(means, variances.ravel(), ".", color="#888888", markersize=3, label="tiles")
    at = np.linspace(0.0, means.max(), 2)
    axis.plot(at, found.dark[1] + found.gain[1] * at, color=BLUE, linewidth=2, label="line taken")
    axis.set(xlabel="mean, levels above black", ylabel="variance, levels²", ylim=(0, 20000))
    axis.legend(frameon=False, loc="upper right")
    axis.set_title("Texture only adds variance: the line lies under it")
    keep(figure, "noise")


def hot_centre() -> None:
    """Draw a median on plan that hides a hot centre."""
    frame = decode(ROOT / "sample_frames" / "F0015.dng")
    from stopwise import load_plan

    plan = load_plan(ROOT / "sample_frames" / "plan.toml")
    reading = read(frame, plan)
    patch = reading.measurement.patches["lit cheek"]
    cells = reading.ground.cells
    light = cells.luminance(window(patch.box, cells.shape))
    grey = reading.measurement.zones.mid_grey
    zones = 5.0 + np.log2(np.maximum(light, 1e-6) / grey).ravel()
    figure, axis = plt.subplots(figsize=(5.2, 2.6), layout="constrained")
    axis.hist(zones, bins=60, color="#999999")
    top = axis.get_ylim()[1]
    for at, name, colour in (
        (patch.zone, "zone\n(median)", BLUE),
        (patch.top, "top (99th\npercentile)", ORANGE),
    ):
        axis.axvline(at, color=colour, linewidth=2)
        axis.text(at + 0.03, top * 0.93, f"{name} {at:.1f}", color=colour, va="top")
    axis.set(xlabel="zone of each cell of the lit cheek, sample frame F0015", ylabel="cells")
    axis.set_xlim(right=max(zones.max(), patch.top + 0.5))
    keep(figure, "patch")


def follow() -> None:
    """Draw the boxes on a sitter before and after he moves, leans and loses light."""
    pose = Pose(dx=-0.14, dy=0.02, tilt=8.0)
    lamps = Lamps(-0.7, -0.7, -0.7, -0.7, -0.7)
    scenes = (Scene(), Scene(pose=pose, lamps=lamps, seed=5))
    lights = [render(scene) for scene in scenes]
    names = ("lit cheek", "shadow cheek", "jacket", "mask")
    places = find_patches(*(grid_of(light) for light in lights), [BOXES[n] for n in names])
    figure, axes = plt.subplots(1, 2, figsize=(7.6, 2.8), layout="constrained")
    titles = ("Reference, with its boxes", "0.14 aside, 8° tilt, all lamps 0.7 down: found again")
    for number, (axis, light) in enumerate(zip(axes, lights, strict=True)):
        axis.imshow(shown(light), cmap="gray", vmin=0, vmax=1)
        for name, place in zip(names, places, strict=True):
            box = place.box if number else BOXES[name]
            corner, wide = (box[0] * 720, box[1] * 480), (box[2] - box[0]) * 720
            tall = (box[3] - box[1]) * 480
            axis.add_patch(
                Rectangle(corner, wide, tall, fill=False, color="#E69F00", linewidth=1.5)
            )
            if number:
                shade = {"facecolor": "#222222", "edgecolor": "none", "pad": 1.0}
                below = (corner[0] + wide / 2, corner[1] + tall + 12)
                axis.text(*below, f"{place.score:.2f}", color="w", fontsize=7.5, bbox=shade,
                          ha="center", va="center")  # fmt: skip
        axis.set_title(titles[number])
        axis.axis("off")
    keep(figure, "follow")


def split() -> None:
    """Two classes of tone, and one."""
    rng = np.random.default_rng(1)
    two = np.concatenate([rng.normal(-5.0, 0.35, 30_000), rng.normal(-3.0, 0.3, 20_000)])
    one = rng.normal(-3.8, 0.6, 50_000)
    figure, axes = plt.subplots(1, 2, figsize=(7.6, 2.4), sharey=True, layout="constrained")
    for axis, tones, name in zip(axes, (two, one), ("Side-lit", "Flat-lit"), strict=True):
        found = mixture_of(tones)
        assert found is not None
        axis.hist(tones, bins=120, color="#999999")
        said = f"{found.lit - found.shadow:.1f} stops" if found.is_two else "not seen"
        axis.set_title(f"{name}: D = {found.ashman:.1f}, share {found.share:.2f}: {said}")
        axis.set_xlabel("log2 Y of the subject, stops")
        if found.is_two:
            axis.axvline(found.cut, color=INK, linestyle=":")
            for at in (found.shadow, found.lit):
                axis.axvline(at, color=BLUE, linewidth=2)
    axes[0].set_ylabel("cells")
    keep(figure, "split")


def backdrop() -> None:
    """Paper, the surface through it, and what the surface leaves."""
    light = wall((-1.6, 0.0, 1.2, 1.0), (1.6, 0.0, 1.2, 1.0)) * blotch(0.5, (0.2, 0.32), 0.03)
    light *= 1.6
    grid = grid_of(exposed(light))
    held = grid.inside(PAPER)
    surface = surface_over(grid, grid.log2_y, held, order=None)
    assert surface is not None
    level = surface.over(grid.x, grid.y)
    figure, axes = plt.subplots(1, 3, figsize=(7.6, 2.1), layout="constrained")
    rest = np.where(held, grid.log2_y - level, np.nan)
    for axis, plane, title, options in (
        (axes[0], shown(light), "Paper and its boxes", {"cmap": "gray", "vmin": 0, "vmax": 1}),
        (axes[1], level, "Smooth surface: falloff", {"cmap": "cividis"}),
        (axes[2], rest, "What it leaves: blotch", {"cmap": "PuOr_r", "vmin": -0.5, "vmax": 0.5}),
    ):
        image = axis.imshow(plane, extent=(0, 1, 1, 0), aspect=2 / 3, **options)
        for x0, y0, x1, y1 in PAPER:
            axis.add_patch(Rectangle((x0, y0), x1 - x0, y1 - y0, fill=False, color="#E69F00"))
        if axis is not axes[0]:
            figure.colorbar(image, ax=axis, shrink=0.7, label="stops")
        axis.set_title(title)
        axis.axis("off")
    keep(figure, "backdrop")


def shutter() -> None:
    """Draw the edge of a curtain, and light that a flash's tail makes slope."""
    light = render(Scene(seed=3))
    at = (np.arange(480) + 0.5) / 480
    edge = light * (1.0 / (1.0 + np.exp((at - 0.85) / 0.003)))[:, None] + 0.0006
    figure, axes = plt.subplots(1, 2, figsize=(7.6, 2.8), layout="constrained")
    axes[0].imshow(shown(edge), cmap="gray", vmin=0, vmax=1)
    axes[0].set_title("The second curtain covers 15 %")
    axes[0].axis("off")
    for shutter_s, colour in ((1 / 160, ORANGE), (1 / 100, BLUE), (1 / 60, INK)):
        open_s = shutter_s - (1 / 300) * (1.0 - at)
        share = np.log2(1.0 - 10.0 ** (-open_s * 250))
        axes[1].plot(at, share, color=colour, label=f"1/{1 / shutter_s:.0f} s")
    axes[1].set(xlabel="place along the shutter's travel", ylabel="light that arrives, stops")
    axes[1].set_title("A flash of t0.1 = 1/250 s, curtains 1/300 s")
    axes[1].legend(frameon=False)
    keep(figure, "shutter")


def main() -> None:
    """Write docs/measuring-*.png."""
    with plt.rc_context(STYLE):
        for draw in (saturation, noise, hot_centre, follow, split, backdrop, shutter):
            draw()


if __name__ == "__main__":
    main()

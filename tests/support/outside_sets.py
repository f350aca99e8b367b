"""Made sets of material that we did not make: portraits cut out, lit lamp by lamp, moved, turned.

A photograph is undone to linear light (`support.outside`) and stands as the sitter's matter before
plain paper, beside a grey chip. Each lamp is a beam that stays with the set, times Lambert's cosine
on a head and a body of round form. The two portraits that packages carry are the two halves: one to
build on, one to prove with; things cut out of other pictures stand for sitters of other forms.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates, shift

from stopwise.frame import Exposure
from stopwise.lamps.solos import find_places, lamp_set, sought_in
from stopwise.measurement import read, reduce
from stopwise.plan.model import Plan
from stopwise.plan.now import plan_now
from support.outside import (
    FIRST_PROVING,
    DrawnSensor,
    drawn_sensor,
    expose,
    photograph,
    pictures_of,
    resized,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.frame import Frame
    from stopwise.grid import LightGrid
    from stopwise.lamps.solos import LampSet, Sought
    from support.outside import Array

TALL, WIDE = 480, 720
"""Photosites of a frame."""

LAMPS = ("key", "fill", "hair", "paper")


@dataclass(frozen=True)
class Cut:
    """Where a portrait's parts lie, fractions of its picture.

    Attributes
    ----------
    head
        Middle and half axes of the head's ellipse.
    body
        Corners of what lies under it.
    patches
        Boxes by name, each with its material.
    """

    head: tuple[float, float, float, float]
    body: tuple[tuple[float, float], ...]
    patches: Mapping[str, tuple[str, tuple[float, float, float, float]]]


_BUILDING = Cut(
    head=(0.44, 0.2, 0.155, 0.185),
    body=((0.05, 1.0), (0.1, 0.55), (0.25, 0.4), (0.33, 0.3), (0.5, 0.3), (0.6, 0.45),
          (0.7, 0.58), (0.7, 1.0)),
    patches={
        "left cheek": ("skin", (0.375, 0.215, 0.41, 0.265)),
        "right cheek": ("skin", (0.465, 0.215, 0.5, 0.265)),
        "brow": ("skin", (0.41, 0.14, 0.48, 0.175)),
        "hair": ("hair", (0.36, 0.05, 0.5, 0.11)),
        "cloth": ("white cloth", (0.14, 0.54, 0.28, 0.64)),
    },
)  # fmt: skip
_PROVING = Cut(
    head=(0.5, 0.31, 0.2, 0.28),
    body=((0.05, 1.0), (0.1, 0.65), (0.38, 0.53), (0.62, 0.53), (0.9, 0.62), (1.0, 0.68),
          (1.0, 1.0)),
    patches={
        "left cheek": ("skin", (0.37, 0.4, 0.42, 0.47)),
        "right cheek": ("skin", (0.6, 0.4, 0.66, 0.47)),
        "brow": ("skin", (0.45, 0.235, 0.55, 0.27)),
        "hair": ("hair", (0.42, 0.08, 0.58, 0.16)),
        "cloth": ("white cloth", (0.395, 0.58, 0.445, 0.66)),
    },
)  # fmt: skip
CUTS = {"building": ("skimage:astronaut", _BUILDING), "proving": ("matplotlib:*.jpg", _PROVING)}


@dataclass(frozen=True)
class Lamp:
    """One lamp of a set.

    Attributes
    ----------
    toward
        Unit vector to it, right, down, and towards the camera.
    beam
        float32 (h, w), its light on what faces it, where it stands in the set.
    on_paper
        float32 (h, w), its light on the paper.
    """

    toward: tuple[float, float, float]
    beam: Array
    on_paper: Array


@dataclass(frozen=True)
class Pose:
    """How the sitter stands: off the mark, photosites right and down, and his head turned."""

    right: float = 0.0
    down: float = 0.0
    turned: float = 0.0
    """Degrees."""


MARK = Pose()


@dataclass(frozen=True)
class OutsideSet:
    """A set of four lamps round a sitter of a photograph's matter."""

    seed: int
    matter: Array
    held: Array
    """float32 (h, w), what of the picture is the sitter, 0 to 1."""
    head: tuple[float, float, float, float]
    """Middle and half axes of the head, photosites."""
    boxes: Mapping[str, tuple[str, tuple[float, float, float, float]]]
    paper: Array
    lamps: Mapping[str, Lamp]
    sensor: DrawnSensor
    level: float
    """Light that brings the brightest of the reference to where it was drawn."""
    chip: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    _kept: dict[Pose, dict[str, Array]] = field(default_factory=dict)

    # --- what each lamp gives -------------------------------------------------------------------

    def alone(self, pose: Pose) -> dict[str, Array]:
        """Return each lamp's light with the sitter in a pose, float32 (h, w, 3)."""
        if pose not in self._kept:
            if len(self._kept) > 2:
                self._kept.pop(next(iter(self._kept)))
            self._kept[pose] = self._lit(pose)
        return self._kept[pose]

    def _lit(self, pose: Pose) -> dict[str, Array]:
        matter, held, (nx, ny, nz) = self._posed(pose)
        rows, columns = np.indices((TALL, WIDE))
        x0, y0, x1, y1 = self.chip
        chip = (
            (rows >= y0 * TALL)
            & (rows < y1 * TALL)
            & (columns >= x0 * WIDE)
            & (columns < x1 * WIDE)
        )
        found = {}
        for name, lamp in self.lamps.items():
            lx, ly, lz = lamp.toward
            facing = np.maximum(nx * lx + ny * ly + nz * lz, 0.0) + 0.03
            on_sitter = (lamp.beam * facing * held)[..., None] * matter
            behind = ((1.0 - held) * np.where(chip, 0.0, lamp.on_paper))[..., None] * self.paper
            on_chip = np.where(chip & (held < 0.5), 0.18 * (lamp.beam * max(lz, 0.05)), 0.0)
            found[name] = (on_sitter + behind + on_chip[..., None]).astype(np.float32)
        return found

    def _posed(self, pose: Pose) -> tuple[Array, Array, tuple[Array, Array, Array]]:
        """Return matter, mask and normals of the sitter in a pose."""
        cx, cy, rx, ry = self.head
        rows, columns = np.indices((TALL, WIDE), dtype=np.float32)
        u, v = (columns - cx) / rx, (rows - cy) / ry
        is_head = np.hypot(u, v) < 1.0
        matter = self.matter
        angle = math.radians(pose.turned)
        if pose.turned:
            chord = np.sqrt(np.maximum(1.0 - v**2, 1e-6))
            along = np.clip(u / chord, -1.0, 1.0)
            source = np.sin(np.clip(np.arcsin(along) - angle, -math.pi / 2, math.pi / 2)) * chord
            at = [rows, np.where(is_head, cx + source * rx, columns)]
            matter = np.stack(
                [map_coordinates(matter[..., c], at, order=1, mode="nearest") for c in range(3)], -1
            )
        toward = np.sqrt(np.maximum(1.0 - u**2 - v**2, 0.0))
        # features turn with the head: its form is near enough a ball that only they tell
        across, down = u + 0.0, v
        features = self._features(pose)
        body_x = np.clip((columns - cx) / (0.32 * WIDE), -0.95, 0.95)
        nx = np.where(is_head, across + features, body_x)
        ny = np.where(is_head, down, -0.25)
        nz = np.where(is_head, toward, np.sqrt(np.maximum(1.0 - body_x**2, 0.05)))
        length = np.sqrt(nx**2 + ny**2 + nz**2)
        normals = np.stack([nx, ny, nz]) / length
        if pose.right or pose.down:
            move = (pose.down, pose.right)
            matter = np.stack(
                [shift(matter[..., c], move, order=1, mode="nearest") for c in range(3)], -1
            )
            normals = np.stack([shift(plane, move, order=1, mode="nearest") for plane in normals])
            held = shift(self.held, move, order=1, mode="nearest")
        else:
            held = self.held
        return matter.astype(np.float32), held.astype(np.float32), tuple(normals)

    def _features(self, pose: Pose) -> Array:
        """Return how the face's planes depart from a ball, to the right: they turn with it."""
        cx, cy, rx, ry = self.head
        rows, columns = np.indices((TALL, WIDE), dtype=np.float32)
        u, v = (columns - cx) / rx, (rows - cy) / ry
        chord = np.sqrt(np.maximum(1.0 - v**2, 1e-6))
        phi = np.arcsin(np.clip(u / chord, -1.0, 1.0)) - math.radians(pose.turned)
        # a face is flatter in front than a ball and steeper at its sides
        return (-0.35 * np.sin(2.0 * phi) + math.sin(math.radians(pose.turned)) * 0.8).astype(
            np.float32
        )

    # --- frames -----------------------------------------------------------------------------------

    def frame(self, stops: Mapping[str, float], pose: Pose = MARK, *, draw: int = 0) -> Frame:
        """Return a frame under lamps at so many stops; those not named don't fire."""
        rng = np.random.default_rng([self.seed, 8, draw])
        light = sum((2.0**gain * self.alone(pose)[name] for name, gain in stops.items()),
                    np.zeros((TALL, WIDE, 3), np.float32))  # fmt: skip
        light = gaussian_filter(light * self.level, (0.6, 0.6, 0.0)) + 2e-4
        shot = expose(light, self.sensor, rng=rng, told=f"set {self.seed}").frame
        return replace(shot, exposure=Exposure(iso=100.0, f_number=8.0, shutter_s=1 / 160))

    @cached_property
    def plan(self) -> Plan:
        """The plan with its patches, chip and paper, every zone as the reference has it."""
        return self.planned(dict.fromkeys(LAMPS, 0.0))

    def planned(self, stops: Mapping[str, float]) -> Plan:
        """Return the plan whose targets lamps at these stops meet, the sitter at the mark."""
        boxes = self._bare_plan()
        measured = read(self.frame(stops, draw=99), Plan.model_validate(boxes)).measurement
        for patch in boxes["patch"]:
            zone = measured.patches[patch["name"]].zone
            if zone is not None:
                patch["zone"] = round(zone, 2)
        return Plan.model_validate(boxes)

    def _bare_plan(self) -> dict:
        patches = [
            {"name": name, "material": material, "box": list(box), "follow": True,
             "lit_by": self._lit_by(box), "over": 0.15, "under": 0.15, "headroom": 0.0,
             "may_clip": 1.0}
            for name, (material, box) in self.boxes.items()
        ]  # fmt: skip
        chip = {"name": "chip", "box": list(self.chip), "still": True}
        patches.append({**chip, "lit_by": self._lit_by(self.chip), "over": 0.15, "under": 0.15})
        return {
            "schema": 1,
            "light": [{"name": name, "power": -4.0, "range": [-9.0, 0.0], "step": 0.1,
                       "role": {"key": "key", "fill": "fill", "hair": "hair",
                                "paper": "background"}[name]} for name in LAMPS],
            "patch": patches,
            "backdrop": {"boxes": [[0.01, 0.05, 0.13, 0.6], [0.87, 0.05, 0.99, 0.6]]},
        }  # fmt: skip

    def _lit_by(self, box: tuple[float, float, float, float]) -> list[str]:
        at = (
            slice(int(box[1] * TALL), int(box[3] * TALL)),
            slice(int(box[0] * WIDE), int(box[2] * WIDE)),
        )
        shares = {name: float(light[at].mean()) for name, light in self.alone(MARK).items()}
        total = sum(shares.values())
        order = sorted(shares, key=lambda name: -shares[name])
        return [name for name in order if shares[name] > 0.1 * total] or order[:1]

    def light(self, frame: Frame, plan: Plan, sought: Sought | None = None) -> LightGrid:
        """Return a solo's light, the sitter's boxes read where he stands, as `PlanFrames` does."""
        reduced = reduce(frame, plan_now(plan), tails=True)
        place = None if sought is None else sought.place_in(reduced.grid)
        if sought is None or place is None:
            return reduced.grid
        return reduced.with_boxes(place.carried(sought.boxes, reduced.grid.cells))

    def shot(
        self, rng: np.random.Generator, *, misplaced: float, plan: Plan | None = None
    ) -> Solos:
        """Return the set's own frames, the sitter somewhere within a share of the width."""
        plan = plan or self.plan
        reference = self.light(self.frame(dict.fromkeys(LAMPS, 0.0), draw=1), plan)
        sought = sought_in(reference, plan_now(plan))
        poses = {name: off_the_mark(rng, misplaced) for name in LAMPS}
        solos = {
            name: self.light(self.frame({name: 0.0}, poses[name], draw=3 + at), plan, sought)
            for at, name in enumerate(LAMPS)
        }
        ambient = self.light(self.frame({}, draw=2), plan)
        lamps = lamp_set(solos, ambient, places=find_places(solos, sought))
        return Solos(reference, poses, lamps)


@dataclass(frozen=True)
class Solos:
    """The frames that a set's later frames are held against, and where the sitter truly stood."""

    reference: LightGrid
    poses: Mapping[str, Pose]
    lamps: LampSet


def off_the_mark(rng: np.random.Generator, most: float) -> Pose:
    """Return a pose somewhere within a share of the picture's width from the mark."""
    far, way = rng.uniform(0.0, most) * WIDE, rng.uniform(0.0, 2.0 * math.pi)
    return Pose(far * math.cos(way), far * math.sin(way))


def outside_set(seed: int) -> OutsideSet:
    """Return a set whose sitter, places, lamps and sensor are drawn by the seed."""
    rng = np.random.default_rng([seed, 7])
    half = "proving" if seed >= FIRST_PROVING else "building"
    name, cut = CUTS[half]
    picture = photograph(name, rng=rng)
    tall = int(TALL * rng.uniform(0.8, 1.0))
    wide = int(tall * picture.shape[1] / picture.shape[0])
    matter = resized(picture, (tall, wide))
    boxes = dict(cut.patches)
    if rng.random() < 0.4:  # the matter of another picture in the sitter's form
        other = str(rng.choice(pictures_of(seed)))
        skin = photograph(other, rng=rng)
        part = skin[: int(0.9 * skin.shape[0]), : int(0.9 * skin.shape[1])]
        matter = 0.06 + 0.7 * resized(part, (tall, wide))
    is_mirrored = rng.random() < 0.5
    held = _outline(cut, (tall, wide))
    head = (cut.head[0] * wide, cut.head[1] * tall, cut.head[2] * wide, cut.head[3] * tall)
    if is_mirrored:
        matter, held = matter[:, ::-1], held[:, ::-1]
        head = (wide - head[0], *head[1:])
        boxes = {n: (m, (1 - b[2], b[1], 1 - b[0], b[3])) for n, (m, b) in boxes.items()}
    left, top = (WIDE - wide) // 2, TALL - tall
    canvas = np.full((TALL, WIDE, 3), 0.2, np.float32)
    canvas[top:, left : left + wide] = matter
    mask = np.zeros((TALL, WIDE), np.float32)
    mask[top:, left : left + wide] = held
    placed = {
        n: (m, ((left + b[0] * wide) / WIDE, (top + b[1] * tall) / TALL,
                (left + b[2] * wide) / WIDE, (top + b[3] * tall) / TALL))
        for n, (m, b) in boxes.items()
    }  # fmt: skip
    middle = (left + head[0], top + head[1], head[2], head[3])
    grain = gaussian_filter(rng.standard_normal((TALL, WIDE)), 1.5)
    paper = rng.uniform(0.3, 0.8) * (1.0 + rng.uniform(0.001, 0.005) * grain / grain.std())
    sensor = replace(
        drawn_sensor(rng), kind="three planes", iso=100.0, full=float(rng.uniform(15e3, 8e4)),
        read=4.0, bits=14, black=512.0, white=16383.0, stops=(1.0, 1.0, 1.0), spread=0.0, hot=0.0,
        multipliers=(1.0, 1.0, 1.0),
    )  # fmt: skip
    chip_left = middle[0] / WIDE + (0.2 if rng.random() < 0.5 else -0.24)
    chip_top = middle[1] / TALL + rng.uniform(-0.1, 0.1)
    made = OutsideSet(
        seed,
        canvas,
        gaussian_filter(mask, 0.8),
        middle,
        placed,
        np.repeat(paper[..., None], 3, -1).astype(np.float32),
        _lamps(middle, rng),
        sensor,
        1.0,
        chip=(chip_left, chip_top, chip_left + 0.04, chip_top + 0.06),
    )
    whole = sum(made.alone(MARK).values())
    level = float(rng.uniform(0.35, 0.6) / np.quantile(whole, 0.995))
    return replace(made, level=level)


def _outline(cut: Cut, shape: tuple[int, int]) -> Array:
    """Return where a portrait's head and body lie, float32 (h, w)."""
    from PIL import Image, ImageDraw

    tall, wide = shape
    image = Image.new("L", (wide, tall))
    draw = ImageDraw.Draw(image)
    draw.polygon([(x * wide, y * tall) for x, y in cut.body], fill=255)
    cx, cy, rx, ry = cut.head
    draw.ellipse([(cx - rx) * wide, (cy - ry) * tall, (cx + rx) * wide, (cy + ry) * tall], fill=255)
    return np.asarray(image, np.float32) / 255.0


def _unit(*vector: float) -> tuple[float, float, float]:
    x, y, z = np.asarray(vector) / np.linalg.norm(vector)
    return float(x), float(y), float(z)


def _lamps(head: tuple[float, float, float, float], rng: np.random.Generator) -> dict[str, Lamp]:
    cx, cy, rx, _ = head
    rows, columns = np.indices((TALL, WIDE), dtype=np.float32)

    def spot(x: float, y: float, reach: float) -> Array:
        return np.exp(-((columns - x) ** 2 + (rows - y) ** 2) / (2.0 * reach**2)).astype(np.float32)

    side = 1.0 if rng.random() < 0.5 else -1.0
    at = (cx + rng.normal(0.0, 0.1) * rx, cy + rng.normal(0.1, 0.2) * rx)
    key = spot(*at, rx * rng.uniform(0.9, 2.5)) + 0.03
    fill = 2.0 ** -rng.uniform(1.0, 3.0) * (
        spot(cx - side * rx, cy + rx, rx * rng.uniform(2.0, 6.0)) + 0.1
    )
    hair = 2.0 ** rng.uniform(-1.0, 1.0) * (spot(cx, cy - rx, rx * rng.uniform(0.8, 1.6)) + 0.01)
    behind = 2.0 ** -rng.uniform(0.0, 2.0) * (
        spot(WIDE * rng.uniform(0.2, 0.8), cy, WIDE * 0.5) + 0.2
    )
    return {
        "key": Lamp(_unit(side * rng.uniform(0.4, 1.0), -rng.uniform(0.3, 0.8), 0.7), key,
                    rng.uniform(0.02, 0.2) * np.roll(key, int(-side * 0.15 * WIDE), 1)),
        "fill": Lamp(_unit(-side * rng.uniform(0.3, 1.0), -0.1, 0.9), fill,
                     rng.uniform(0.1, 0.5) * fill),
        "hair": Lamp(_unit(rng.uniform(-0.4, 0.4), -1.0, rng.uniform(-0.4, 0.1)), hair,
                     0.01 * hair),
        "paper": Lamp(_unit(0.0, -0.3, -1.0), (0.02 * behind).astype(np.float32), behind),
    }  # fmt: skip

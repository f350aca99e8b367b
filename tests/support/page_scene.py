"""A whole page for tests: a ledger with made frames, a plan file, a server on loopback."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from stopwise.ledger import Kept, Ledger, Place, Stamp
from stopwise.page.live import LivePage
from stopwise.page.pictures import Pictures
from stopwise.plan import load_plan
from stopwise.record import record_from_json
from support.made_picture import drawable, made_picture
from support.records import finding, record, turned

if TYPE_CHECKING:
    from pathlib import Path

    from stopwise.plan.model import Plan

HELD = {"state": "holds", "cause": None}

PLAN_TEXT = """\
# Fencer, hard light. Edited by hand, too.
schema = 1

[camera]
iso = 100
f_number = 11.0

[[light]]
name = "key"       # the snoot
role = "key"
power = -2.0
off_axis = 60
distance = 1.8
modifier = "snoot"

[[light]]
name = "fill"
role = "fill"
power = -3.0
off_axis = -35
distance = 2.2

[[light]]
name = "hair"
role = "hair"
power = -4.0
off_axis = 165
distance = 1.9

[[light]]
name = "left paper"
role = "background"
power = -3.5
off_axis = -115
distance = 2.0

[[light]]
name = "right paper"
role = "background"
power = -3.5
off_axis = 115
distance = 2.0

[[patch]]
name = "lit cheek"   # where the key falls
box = [0.535, 0.44, 0.565, 0.49]
material = "skin"
zone = 6.5

[[patch]]
name = "shadow cheek"
box = [0.45, 0.44, 0.48, 0.49]
material = "skin"
zone = 4.5

[[patch]]
name = "hair"
box = [0.46, 0.2, 0.54, 0.26]
material = "hair"
zone = 6.0

[[ratio]]
lit = "lit cheek"
shadow = "shadow cheek"
stops = 2.0

[backdrop]
boxes = [[0.02, 0.1, 0.3, 0.6], [0.7, 0.1, 0.98, 0.6]]
zone = 4.5
left_right = 0.0
"""


def on_plan(**more: Any) -> dict[str, Any]:
    """Return the record of a frame that is on plan."""
    return record("on plan", *_held(6.5), **more)


def key_hot(over: float = 0.4, **more: Any) -> dict[str, Any]:
    """Return the record of a frame whose key is too strong."""
    hot = finding(
        "patch",
        "lit cheek",
        6.5 + over,
        6.5,
        say=f"Lit cheek {over:.1f} over.",
        do=f"Key down {over:.1f}.",
        **turned("key", -over),
    )
    frame = record("off plan", hot, *_held(6.5)[1:], **more)
    frame["patches"]["lit cheek"]["zone"] = 6.5 + over
    frame["patches"]["lit cheek"]["log2_y"] += over
    frame["clipping"]["areas"] = [
        {
            "fraction": 0.0123,
            "box": [0.575, 0.78, 0.665, 0.9],
            "patch": "white jacket",
            "centre": [0.62, 0.84],
        }
    ]
    return frame


def hair_out(**more: Any) -> dict[str, Any]:
    """Return the record of a frame in which the hair lamp did not fire."""
    out = finding("lamp", "hair", None, 0.0, cause="lamp", say="Hair lamp did not fire.")
    frame = record("off plan", out, *_held(6.5), **more)
    frame["lamps"] = {"hair": {"stops": None, "uncertainty": 0.1, "state": "out"}}
    return frame


def none_fired(**more: Any) -> dict[str, Any]:
    """Return the record of a frame in which no lamp fired."""
    dark = finding("lamp", "all", None, 0.0, code="none_fired", cause="lamp")
    frame = record("off plan", dark, *_held(6.5), **more)
    lamps = ("key", "fill", "hair", "left paper", "right paper")
    out = {"stops": None, "uncertainty": 0.1, "state": "out"}
    frame["lamps"] = dict.fromkeys(lamps, out)
    return frame


def _held(cheek: float) -> list[Any]:
    return [
        finding("patch", "lit cheek", cheek, 6.5, say="Lit cheek 0.0 over.", **HELD),
        finding("patch", "shadow cheek", 4.4, 4.5, say="Shadow cheek 0.1 under.", **HELD),
        finding("patch", "hair", 6.1, 6.0, say="Hair 0.1 over.", within=[-0.5, 0.3], **HELD),
        finding("backdrop", "backdrop zone", 4.5, 4.5, say="Paper 0.0 over.", unit="zone", **HELD),
    ]


def kept_frame(row: dict[str, Any], number: int = 1) -> Kept:
    """Return a frame as the ledger gives it, though it isn't in any."""
    return Kept(number, "0" * 64, record_from_json(row).to_json(), 0)


@dataclass
class Scene:
    """A folder with a plan and a ledger, and the live page over it."""

    folder: Path
    ledger: Ledger
    live: LivePage
    frames: list[Kept] = field(default_factory=list)

    @property
    def plan_path(self) -> Path:
        """The plan file."""
        return self.folder / "plan.toml"

    def keep(self, frame: dict[str, Any]) -> Kept:
        """Write a record into the ledger without telling the page."""
        number = len(self.frames) + 1
        given = frame["file"] != record()["file"]
        whole = {**frame, "file": frame["file"] if given else f"F{number:04d}.dng"}
        stamp = Stamp(number, number, number)
        sha256 = hashlib.sha256(f"{self.folder}{number}".encode()).hexdigest()
        kept = self.ledger.frames.keep(
            record_from_json(whole),
            Place(str(self.folder), str(whole["file"]), stamp),
            sha256=sha256,
        )
        self.frames.append(kept)
        return kept

    def land(self, frame: dict[str, Any], *, size: tuple[int, int] = (600, 400)) -> Kept:
        """Have a frame land: kept, and told to every page with its picture."""
        kept = self.keep(frame)
        self.live.landed(kept, lambda: drawable(made_picture(*size)))
        return kept


def scene_in(folder: Path) -> Scene:
    """Make a scene in a folder; what was kept there before is there again."""
    plan_path = folder / "plan.toml"
    if not plan_path.exists():
        plan_path.write_text(PLAN_TEXT, encoding="utf-8")
    ledger = Ledger(folder / "ledger.sqlite")

    def plan() -> Plan:
        return load_plan(plan_path)

    pictures = Pictures(lambda *_: drawable(made_picture(600, 400)))
    live = LivePage(ledger, folder, plan=plan, plan_path=plan_path, pictures=pictures)
    scene = Scene(folder, ledger, live)
    scene.frames = list(ledger.frames.all())
    return scene

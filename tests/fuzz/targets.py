"""What reads bytes or text from outside, one function each: it answers, or refuses as it says.

Each target takes any bytes and lets nothing through but what the parser promises to raise: whatever
else comes out of one is a fault. Whole inputs to begin from are all made by code.
"""

from __future__ import annotations

import json
import tempfile
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import tomlkit

from lightmodel.dng import DngSpec, write_dng
from soak.parents import made_containers
from stopwise.errors import PlanError, Unreadable, WrongUse
from stopwise.frame import Exposure
from stopwise.ledger import Ledger
from stopwise.page.actions import _acted
from stopwise.page.app import last_number
from stopwise.plan import spoken_tables
from stopwise.plan.loading import decode_text, plan_of_text
from stopwise.plan.readings import (
    as_the_dial_reads,
    read_angle,
    read_elevation,
    read_f_number,
    read_iso,
    read_length,
    read_power,
    read_shutter,
    read_stops,
)
from stopwise.raw.bounds import BeyondBoundsError, FileBytes
from stopwise.raw.decoding import camera_of, embedded_tags, exposure_of
from stopwise.raw.directories import is_tiff, read_tiff
from stopwise.raw.dng import masked_areas, raw_directory, sensor_by_tags
from stopwise.raw.libraw import Decoded, VisibleArea
from stopwise.raw.lossless import Tiling, bits_of, disagreement, followed_bits, read_coded
from stopwise.raw.refusals import refuse_by_levels, refuse_by_shape, refuse_by_tags
from stopwise.raw.sensor import UnknownFiltersError, masked_of, sensor_by_decoder
from stopwise.raw.whole import promise_of, unwritten
from stopwise.shoot.saying import read_lit, read_look, read_parts, read_turned
from support.made_raws import exposed, light

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    Target = Callable[[bytes], None]

SAMPLES = Path(__file__).resolve().parents[2] / "sample_frames"
_SHAPE = (48, 80)
_NOWHERE = Path("fuzz.dng")

# --- raw files ------------------------------------------------------------------------------------


def containers(data: bytes) -> None:
    """Read whether a file is whole, and every tag in its directories."""
    try:
        end, tiff = promise_of(FileBytes.of(data))
        assert end is None or end >= 0
        if tiff is None:
            return
        unwritten(tiff)
        for directory in tiff.directories:
            directory.places()
            directory.parts()
            for code in directory.entries:
                directory.values(code)
                directory.wholes(code)
                tiff.text(code)
    except BeyondBoundsError:
        return


def tags(data: bytes) -> None:
    """Read what a file's tags say of its sensor and its camera, the picture taken as decoded."""
    decoded = _decoded()
    try:
        blocks = embedded_tags(data)
        camera, exposure = camera_of(blocks, decoded), exposure_of(blocks, decoded)
        for text in (camera.make, camera.model, camera.lens):
            assert text is None or text.strip()
        for value in (exposure.iso, exposure.f_number, exposure.shutter_s):
            assert value is None or 0.0 < value < float("inf")
        if not is_tiff(data):
            return
        tiff = read_tiff(FileBytes.of(data))
        refuse_by_tags(tiff, data, _NOWHERE)
        picture = raw_directory(tiff, decoded)
        refuse_by_shape(tiff, picture, decoded, _NOWHERE)
        if tiff.is_dng and picture is not None:
            sensor = sensor_by_tags(tiff, picture, decoded)
        else:
            sensor = sensor_by_decoder(decoded)
        refuse_by_levels(decoded.mosaic, sensor, _NOWHERE)
        masked_of(decoded, sensor, masked_areas(tiff))
        levels = sensor.levels
        assert np.all(np.isfinite((*levels.black, *levels.anchor, levels.white)))
        for found in (sensor.black_offset, sensor.xyz_to_camera, sensor.daylight, sensor.as_shot):
            assert found is None or np.all(np.isfinite(found))
    except (BeyondBoundsError, Unreadable, UnknownFiltersError):
        return


def lossless(data: bytes) -> None:
    """Read a lossless JPEG's headers and code, and hold them against a picture."""
    coded = read_coded(data)
    if coded is None:
        return
    if coded.samples <= 1 << 18:
        followed_bits(coded)
        bits_of(np.zeros(coded.shape, np.uint16), coded)
    stored = np.zeros(_SHAPE, np.uint16)
    for sure in (True, False):
        disagreement(stored, data, Tiling(((0, len(data)),), *_SHAPE, 1, sure))


@cache
def _decoded() -> Decoded:
    """Return a small Bayer picture as the decoding library hands it over."""
    levels = exposed(light(_SHAPE))
    return Decoded(
        stored=levels,
        mosaic=levels,
        pattern=np.array([[0, 1], [3, 2]], np.uint8),
        letters="RGBG",
        area=VisibleArea(0, 0, *_SHAPE, *_SHAPE),
        black=(512.0,) * 4,
        white=16383.0,
        white_per_channel=None,
        as_shot=(2.0, 1.0, 1.5, 0.0),
        daylight=(2.0, 1.0, 1.5, 0.0),
        rgb_xyz=np.zeros((4, 3)),
        color=np.zeros((3, 4)),
        flip=0,
        exposure=Exposure(),
        lens="",
    )


# --- text -----------------------------------------------------------------------------------------


def plans(data: bytes) -> None:
    """Read a plan file."""
    try:
        plan_of_text(decode_text(data, "plan.toml"))
    except PlanError as error:
        if not all(problem.startswith("plan.toml") for problem in error.problems):
            raise AssertionError(error.problems) from error


def readings(data: bytes) -> None:
    """Read what a person says of a reading, a table or a lamp, in each way it may be meant."""
    said = data.decode("utf-8", "replace")
    plan = _plan()
    for read in (
        read_f_number,
        read_shutter,
        read_power,
        partial(read_power, full_ws=500.0),
        partial(as_the_dial_reads, scale="figure", full_reads=10.0),
        partial(as_the_dial_reads, scale="fraction"),
        read_length,
        read_angle,
        read_elevation,
        read_iso,
        read_stops,
        spoken_tables.scale_at_full,
        spoken_tables.scale_of,
        spoken_tables.box_of,
        *(
            partial(spoken_tables.table_of, kind)
            for kind in ("light", "patch", "ratio", "backdrop")
        ),
        partial(read_parts, plan=plan),
        partial(read_lit, plan=plan),
        partial(read_look, plan=plan),
        partial(read_turned, plan=plan),
    ):
        try:
            found = read(said)
        except (WrongUse, PlanError):
            continue
        else:
            assert not isinstance(found, float) or np.isfinite(found)


def actions(data: bytes) -> None:
    """Read what a page sends, and do each action with it, edits of the plan among them."""
    last_number(data.decode("utf-8", "replace"))
    live = _live()
    for name in ("draw", "adopt", "mark", "take", "lit", "look", "expect"):
        answer = _acted(live, name, data)  # type: ignore[arg-type]
        assert answer.status_code < 500, (name, answer.body)
        json.loads(bytes(answer.body))
        if live.is_changed:
            live.reset()


class _Live:
    """What actions need of a page: a plan of its own, and a ledger in memory."""

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory()
        self.folder = self._folder.name
        self.plan_path = Path(self.folder, "plan.toml")
        self.ledger = Ledger(":memory:").__enter__()
        self.reset()

    def plan_changed(self) -> None:
        """Remember that it was: the plan that was written is one that can be read."""
        plan_of_text(self.plan_path.read_text(encoding="utf-8"))
        self.is_changed = True

    def reset(self) -> None:
        """Write the plan as it was."""
        self.plan_path.write_bytes(small_plan())
        self.is_changed = False


@cache
def _live() -> _Live:
    return _Live()


@cache
def _plan():  # type: ignore[no-untyped-def]
    return plan_of_text(small_plan().decode())


# --- to begin from --------------------------------------------------------------------------------


@cache
def small_plan() -> bytes:
    """Return the sample plan without its comments, so that chance meets words of weight."""
    plan = tomlkit.parse((SAMPLES / "plan.toml").read_text(encoding="utf-8"))
    return tomlkit.dumps(plan.unwrap()).encode()


@cache
def _coded() -> bytes:
    """Return one tile's lossless JPEG."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "a.dng")
        write_dng(path, exposed(light((16, 32))), spec=DngSpec(exif=None))
        data = path.read_bytes()
    return data[data.index(b"\xff\xd8") :]


@cache
def _containers() -> tuple[bytes, ...]:
    with tempfile.TemporaryDirectory() as folder:
        return tuple(made_containers(Path(folder)).values())


def _spoken() -> Iterator[bytes]:
    said = """f/11|8+0.3|8.3t|1/160|2 s|-2.0|1/4|full|7.0 of 10|125 Ws|1.8|180 cm|6 ft|5'11"
    |60 right|35 up|ISO 100|0.7|1 1/3|½|key; power=7 of 10; modifier=snoot; angle=60 right
    |lit cheek; box=0.5,0.4,0.6,0.5; material=skin|lit to shadow = 2|grey, key, fill|key -0.5
    |0.4,0.4,0.6,0.6|1/1|500 Ws|backdrop|all|key white card"""
    yield from (one.strip().encode() for one in said.split("|"))


def _sent() -> Iterator[bytes]:
    box, zone = [0.1, 0.1, 0.2, 0.2], 6.5
    patch = {"was": None, "now": {"name": "chin", "box": box, "zone": zone}}
    for sent in (
        {"edits": {"patches": [patch]}},
        {"edits": {"look": "evening", "patches": [{"was": patch["now"], "now": None}]}},
        {"edits": {"backdrop": {"was": [], "now": [[0.0, 0.0, 0.3, 0.5]]}}},
        {"number": 7, "part": "key"},
        {"turned": "key -0.5"},
        {"lamps": ["key", "fill"]},
        {"lamps": None},
        {"look": None, "new": "evening"},
        {"parts": ["grey", "ambient"]},
        {},
    ):
        yield json.dumps(sent).encode()


TARGETS: dict[str, tuple[Target, Callable[[], list[bytes]]]] = {
    "containers": (containers, lambda: list(_containers())),
    "tags": (tags, lambda: list(_containers())),
    "lossless": (lossless, lambda: [_coded()]),
    "plans": (plans, lambda: [small_plan(), *(b"[[%s]]\n" % t for t in (b"light", b"patch"))]),
    "readings": (readings, lambda: list(_spoken())),
    "actions": (actions, lambda: list(_sent())),
}
"""By name: what reads, and whole inputs."""


def words() -> list[bytes]:
    """Return what a fuzzer may put in: markers, codes and words that our parsers look for."""
    plan = tomlkit.parse(small_plan().decode()).unwrap()
    keys = {key for table in plan.values() for key in _keys_in(table)} | set(plan)
    markers = [b"II*\0", b"MM\0*", b"II+\0", b"ftyp", b"moov", b"stbl", b"co64", b"mdat", b"FOVb"]
    markers += [
        b"SECd",
        b"\0MRM",
        b"\0PRD",
        b"HEAPCCDR",
        b"CCD-RAW ",
        b"\xff\xd8\xff\xc3",
        b"\xff\xc4",
    ]
    codes = (254, 256, 257, 258, 259, 262, 273, 277, 279, 322, 323, 324, 325, 330, 33421, 33422)
    codes += (34665, 34855, 50706, 50712, 50713, 50714, 50715, 50717, 50721, 50728, 50829, 50830)
    markers += [code.to_bytes(2, "little") for code in codes]
    return markers + [key.encode() for key in sorted(keys)]


def _keys_in(held: object) -> Iterator[str]:
    if isinstance(held, dict):
        yield from held
    for inner in (
        held.values() if isinstance(held, dict) else held if isinstance(held, list) else ()
    ):
        yield from _keys_in(inner)

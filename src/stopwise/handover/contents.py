"""What a hand-over holds: the raws that a rebuild needs, and what is made of plan and ledger."""

from __future__ import annotations

from functools import partial
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from stopwise.comparison.matching import levelled
from stopwise.errors import PathMissing
from stopwise.handover.document import html_of, pdf_of
from stopwise.handover.set_sheet import set_sheet
from stopwise.ledger.export import csv_lines, json_lines, write_parquet
from stopwise.plan.draft import open_draft
from stopwise.plan.floor import floor_of_plan
from stopwise.plan.floor_drawing import floor_file
from stopwise.plan.model import MarkedFrame
from stopwise.record import record_from_json
from stopwise.shoot.look_frames import targets_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from stopwise.handover.gathering import ShootKept
    from stopwise.ledger import Ledger

    Makers = dict[str, Callable[[Path], object]]


def short_row(row: Mapping[str, Any]) -> dict[str, Any]:
    """Return the columns of a frame that people use.

    Parameters
    ----------
    row
        Its record as JSON, with what brings it level with its look's frame.

    Returns
    -------
    dict
        What it is, what was said of it as in every other place, settings, zones by patch, stops of
        each lamp against its solo, and the offsets, which only frames of a look have.
    """
    record = record_from_json(row)
    exposure, backdrop, level = record.exposure, record.backdrop, record.level
    what, advice = record.headline
    return {
        "file": record.file,
        "taken": exposure and exposure.taken,
        "take": record.take,
        "look": record.look,
        "verdict": record.verdict,
        "what": what,
        "do": advice,
        "iso": exposure and exposure.iso,
        "f_number": exposure and exposure.f_number,
        "shutter_s": exposure and exposure.shutter_s,
        "blown": record.clipping and record.clipping.any,
        "ratio_stops": record.ratio and record.ratio.stops,
        "paper_zone": backdrop and backdrop.zone,
        "paper_left_right": backdrop and backdrop.left_right,
        **{f"zone {name}": patch.zone for name, patch in record.patches.items()},
        **{f"stops {name}": lamp.stops for name, lamp in (record.lamps or {}).items()},
        "level_stops": level and level.stops,
        "level_red_green": level and level.red_green,
        "level_blue_green": level and level.blue_green,
        "level_to": level and level.to,
    }


PLAN, LEDGER = "plan.toml", "ledger.sqlite"
"""Names that `rebuild` looks for in a folder that was handed over."""


def raws_of(shoot: ShootKept, ledger: Ledger, plan: Path) -> dict[str, Path]:
    """Return the raw files of a hand-over by their names in it.

    The plan's own frames keep the names that the plan has for them; one that lies outside the
    plan's folder gets its bare name. Adopted frames come beside them.

    Raises
    ------
    PathMissing
        If one of the plan's frames isn't there.
    """
    raws: dict[str, Path] = {}
    for name in (name for one in shoot.plan.frames.marked for name in one.files):
        source = plan.parent / name
        if not source.is_file():
            msg = f"{source}, which the plan names, isn't there. Put it back, or mark another."
            raise PathMissing(msg)
        raws[name_inside(name)] = source
    for one in shoot.adopted:
        kept = ledger.frames.by_hash(str(one.record.sha256))
        source_kept = None if kept is None else ledger.frames.file_of(kept.frame)
        if source_kept is not None and source_kept.resolve() not in {
            raw.resolve() for raw in raws.values()
        }:
            name = source_kept.name
            raws[name if name not in raws else f"adopted/{name}"] = source_kept
    return raws


def name_inside(name: str) -> str:
    """Return the name that one of the plan's frames has in the folder: its own, or its last part.

    A path that leads out of the plan's folder would lead out of the hand-over too.
    """
    path = PurePosixPath(Path(name).as_posix())
    return path.name if Path(name).is_absolute() or ".." in path.parts else path.as_posix()


def makers_of(shoot: ShootKept, ledger: Ledger, plan: Path, *, has_parquet: bool) -> Makers:
    """Return what writes each other file of a hand-over to a path that it is given, by name."""
    document = set_sheet(shoot)
    records = ledger.frames.all()
    rows = list(levelled(records, targets_of(ledger, shoot.plan)))
    makers: Makers = {
        PLAN: _writing(plan_inside(shoot, plan).encode()),
        LEDGER: ledger.copy_to,
        "floor.svg": _writing(floor_file(floor_of_plan(shoot.set_now), "svg")),
        "set-sheet.html": lambda path: path.write_bytes(html_of(document)),
        "set-sheet.pdf": lambda path: path.write_bytes(pdf_of(document)),
        "frames.csv": _writing("".join(csv_lines(lambda: map(short_row, rows))).encode()),
        "frames-all.csv": _writing("".join(csv_lines(lambda: rows)).encode()),
        "frames.jsonl": _writing("".join(json_lines(rows)).encode()),
    }
    if has_parquet:
        makers["frames.parquet"] = partial(write_parquet, lambda: rows)
    return makers


def plan_inside(shoot: ShootKept, plan: Path) -> str:
    """Return the plan's text with its frames named as they lie in the folder, all else as it is."""
    draft = open_draft(plan)
    for one in shoot.plan.frames.marked:
        inside = MarkedFrame(one.part, *map(name_inside, one.files))
        if inside != one:
            draft = draft.set(one.part.path, inside.value)
    return draft.text


def _writing(content: bytes) -> Callable[[Path], object]:
    return lambda path: path.write_bytes(content)


def readme_of(shoot: ShootKept) -> str:
    """Return what the folder's readme says."""
    return f"""{shoot.plan.title or "The set"}

plan.toml            the lighting plan
ledger.sqlite        every frame's record, take and look
raw files            the plan's own frames and the adopted ones, as the camera wrote them
floor.svg            the set from above and from the side
set-sheet.html, .pdf the light, how it ran, how it is set up again, and the cautions
frames.csv           the figures that people use, a row a frame
frames-all.csv, frames.jsonl, frames.parquet if it was asked for
                     all figures
SHA256SUMS           what each file must be: sha256sum --check SHA256SUMS

To build the light again, shoot each lamp alone with the sitter on the old mark, then:

    stopwise rebuild THIS-FOLDER --take TAKE LAMP=FRAME

Read the cautions of the set sheet first."""

"""Commands that write into the plan from a frame: grey, mark, adopt."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from stopwise import messages
from stopwise.cli.day_commands import (
    find_watch,
    plan_meant,
    watch_of_plan,
    watch_options,
    watched_plan_option,
)
from stopwise.cli.options import PATH, SHARE, plan_option
from stopwise.cli.printing import at_work, say
from stopwise.errors import WrongUse
from stopwise.ledger import MEMORY, Ledger, content_hash
from stopwise.pipeline import Brief, assess_in_bounds
from stopwise.plan import load_plan
from stopwise.shoot.adopting import ADOPT, Choice, refuse_spoilt
from stopwise.shoot.look_frames import reference_of, solos_are_of
from stopwise.shoot.standing import Standing
from stopwise.shoot.watched_edits import adopt_frame, note_mark, undo_last

if TYPE_CHECKING:
    from stopwise.record import Record
    from stopwise.shoot.adopting import Change
    from stopwise.shoot.watches import Watch


@click.command()
@click.argument("frame", type=PATH)
@watched_plan_option
@click.option("--box", required=True, metavar="x0,y0,x1,y1", help="The card, inside its edges.")
@click.option(
    "--card",
    "reflectance",
    type=SHARE,
    default=0.18,
    show_default=True,
    help="Its reflectance.",
)
@click.option(
    "--card-at",
    "faced",
    type=click.Choice(["lamp", "camera", "between"]),
    default="lamp",
    show_default=True,
    help="What it faced.",
)
@click.option("--lamp", default="", help="The lamp that lit it. [the plan's key]")
@click.option("--meter", help="What the meter read for it here. [the plan's reading]")
@click.option("--force", is_flag=True, help="Write a mid-grey far from the usual, too.")
def grey(frame: Path, plan_path: Path | None, box: str, force: bool, **card: Any) -> None:  # noqa: FBT001
    """Set mid-grey for a body and its ISO from the grey card in a FRAME.

    The box is given, never guessed: paper is even and neutral too. The card faces the lamp, or say
    with --card-at what it faced.

    Example: stopwise grey F0001.dng --plan plan.toml --box 0.45,0.45,0.55,0.55
    """
    from stopwise.plan.readings import read_f_number
    from stopwise.plan.spoken_tables import box_of
    from stopwise.preparing.grey import Card, set_grey

    plan = plan_meant(plan_path)
    frame = frame_meant(frame, watch_of_plan(plan))
    card["meter"] = read_f_number(card["meter"]) if card["meter"] else None
    say(*set_grey(frame, plan, Card(box_of(box), **card), force=force))


@click.command()
@click.argument("frame", type=PATH)
@click.argument("part", metavar="AS")
@watched_plan_option
@click.option(
    "--white-card",
    "is_white_card",
    is_flag=True,
    help="The lamp alone on a white card held at the face.",
)
@click.option(
    "--less", type=PATH, metavar="FRAME", help="Over this frame: all as in it but the lamp off."
)
def mark(
    frame: Path,
    part: str,
    plan_path: Path | None,
    is_white_card: bool,  # noqa: FBT001 - click hands flags over by name
    less: Path | None,
) -> None:
    """Mark a FRAME AS grey, ambient, plate, reference, clip, or a lamp's solo by its name.

    On set a frame's bare name will do, and the plan is the watch's. A lamp that never fired alone
    has its solo out of two frames, before it came on and after: mark F0005 fill --less F0004.

    Example: stopwise mark F0003 key
    """
    from stopwise.plan.model import FramePart
    from stopwise.preparing.marks import mark_frame

    part = FramePart("white card", part).asked if is_white_card else part
    plan = plan_meant(plan_path)
    watch = watch_of_plan(plan)
    frame = frame_meant(frame, watch)
    less = None if less is None else frame_meant(less, watch)
    with at_work(f"Reading {frame.name}"):
        told = mark_frame(frame, part, plan, less=less)
    say(told)
    tell_of_mark(frame, part, plan)


def frame_meant(frame: Path, watch: Watch | None) -> Path:
    """Return the path of a frame that is named: a file, or the bare name of one of the watch's."""
    if watch is None or frame.exists() or frame.parent != Path():
        return frame
    with Ledger(watch.ledger, is_read_only=True) as ledger:
        kept = ledger.frames.by_name(str(frame))
        return frame if kept is None else ledger.frames.file_of(kept.frame) or frame


def tell_of_mark(frame: Path, part: str, plan: Path) -> None:
    """Have the watch that goes by a plan know which part a frame plays; there may be none."""
    watch = watch_of_plan(plan)
    if watch is None:
        return
    with Ledger(watch.ledger) as ledger:
        kept = ledger.frames.by_hash(content_hash(str(frame.resolve())))
        note_mark(ledger, part, kept, plan)


@click.command()
@click.argument("frame", type=PATH, required=False)
@plan_option
@click.option("--patches", metavar="NAMES", help="Only the zones of these patches.")
@click.option("--only", type=click.Choice(["zones", "ratios", "backdrop"]), help="Only these.")
@click.option("--anyway", is_flag=True, help="Adopt a frame that is clipped or misfired, too.")
@click.option("--undo", "is_undo", is_flag=True, help="Put the targets back as they were before.")
@watch_options
def adopt(frame: Path | None, is_undo: bool, **said: Any) -> None:  # noqa: FBT001
    """Make what a FRAME measured the targets, the old ones kept as comments in the plan.

    With no FRAME it is the newest of the watch; a bare name, F0012, is one of its frames. From then
    on tolerance is round the adopted light.

    Example: stopwise adopt
    """
    plan: Path | None = said["plan_path"]
    watch: Watch | None
    if plan is None:
        watch = find_watch(**said)
        plan = watch.plan_path()
    else:
        watch = watch_of_plan(plan, **said)
    with Ledger(watch.ledger if watch else MEMORY) as ledger:
        if is_undo:
            undo_last(ledger, plan, what=ADOPT)
            say(f"{plan.name}: the targets are as they were before.")
            return
        path = frame_meant(frame, watch) if frame else _newest(ledger)
        with at_work(f"Reading {path.name}"):
            standing = Standing(ledger, lambda _: None)
            record = assess_in_bounds(path, _brief(ledger, standing, plan)).record
        if not said["anyway"]:
            refuse_spoilt(record)
        names = (part.strip() for part in (said["patches"] or "").split(","))
        choice = Choice(said["only"], tuple(filter(None, names)), standing.lit)
        changes = adopt_frame(ledger, record, plan, frame=path, choice=choice)
    say(*_told(path, changes, record))


def _brief(ledger: Ledger, standing: Standing, path: Path) -> Brief:
    plan = load_plan(path)
    worn = plan.look(standing.look)
    look = None if worn is None else worn.name
    return Brief(
        plan=plan,
        plan_folder=path.resolve().parent,
        look=look,
        lit=standing.lit,
        is_other_look=not solos_are_of(ledger, plan, look),
        reference=reference_of(ledger, look),
    )


def _newest(ledger: Ledger) -> Path:
    """Return the newest frame that is held against the plan and still lies where it landed."""
    for kept in reversed(list(ledger.frames.all(last=30))):
        reason = kept.record.reason
        is_open = reason is not None and reason.code == "open"
        if kept.record.verdict in ("unreadable", "measured") and not is_open:
            continue
        if (found := ledger.frames.file_of(kept.frame)) is not None:
            return found
    msg = "No frame has landed yet that can be adopted. Shoot one, or name a frame."
    raise WrongUse(msg)


def _told(path: Path, changes: tuple[Change, ...], record: Record) -> list[str]:
    targets = "1 target" if len(changes) == 1 else f"{len(changes)} targets"
    told = [f"Adopted {targets} from {path.name}: {'; '.join(one.words for one in changes)}."]
    unseen = [name for name, one in record.patches.items() if one.zone is None]
    if unseen:
        told.append(f"Not seen, left as they were: {', '.join(unseen)}.")
    rest = [
        messages.say(finding)
        for finding in record.findings
        if finding.state == "fails" and finding.check in _STILL
    ]
    if rest:
        told.append(f"Still off the plan's limits: {' '.join(rest)}")
    return told


_STILL = ("headroom", "clip", "blown", "blocked", "separation", "setting", "shutter", "pinpoints")
"""Limits, which no frame changes."""

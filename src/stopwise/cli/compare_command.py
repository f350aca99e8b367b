"""`stopwise compare`: what changed between two frames, takes or looks, in stops."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from stopwise.cli.day_commands import the_one_watch
from stopwise.cli.ledger_command import ledger_file
from stopwise.cli.named_sides import Basis, Found, find, find_take, lamps_of
from stopwise.cli.options import PATH, json_option, ledger_option, plan_option, read_plan
from stopwise.cli.printing import at_work, say_json
from stopwise.comparison.changes import known_of
from stopwise.comparison.framing import Framing, framing_of_boxes, framing_of_pictures
from stopwise.comparison.two_sides import Comparison
from stopwise.comparison.two_sides import compare as compare_sides
from stopwise.errors import WrongUse
from stopwise.grid import fitted_blocks
from stopwise.ledger import Ledger
from stopwise.shoot.saying import read_turned

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence


_MAP_EDGE = 320  # blocks along the longer side: gradients are as fine as grids of light


def _opened(stack: ExitStack, path: Path | None) -> Ledger | None:
    if path is None:
        return None
    return stack.enter_context(Ledger(ledger_file(path, None), is_read_only=True))


def _show(comparison: Comparison, *, as_json: bool) -> None:
    if as_json:
        say_json(comparison.to_json())
        return
    from stopwise.report.tables import comparison_text
    from stopwise.report.terminal import Terminal

    with Terminal() as terminal:
        terminal.show(comparison_text(comparison, style=terminal.style))


def compare_found(
    before: Found,
    after: Found,
    basis: Basis,
    *,
    turned: Mapping[str, float] | None = None,
    same_solos: bool = True,
) -> Comparison:
    """Compare two sides that were found, with what plan, solos and pictures tell."""
    known = known_of(basis.plan, lamps_of(basis), before.side, turned=turned)
    return compare_sides(
        before.side,
        after.side,
        known=known,
        framing=framing_between(before, after),
        same_solos=same_solos,
    )


def framing_between(before: Found, after: Found) -> Framing:
    """Return how the picture moved: from pictures where both are there, else from boxes."""
    by_boxes = framing_of_boxes(before.side, after.side)
    if before.picture is None or after.picture is None or by_boxes.who == "camera":
        return by_boxes
    planes = [
        fitted_blocks(picture.luminance, _MAP_EDGE) for picture in (before.picture, after.picture)
    ]
    patches = before.side.patches.values()
    boxes = [one.box for one in patches if one.box and one.follows]
    fixed = [one.box for one in patches if one.box and not one.follows] if boxes else []
    seen = framing_of_pictures(planes[0], planes[1], boxes, fixed)
    return by_boxes if seen.motion is None else seen


def said_between(before: Found, after: Found, ledger: Ledger | None) -> dict[str, float] | None:
    """Return what takes between two said was turned, None where neither side is a take."""
    if ledger is None or before.take is None or after.take is None:
        return None
    total: dict[str, float] = {}
    first, last = before.take.number, after.take.number
    for take in ledger.takes.all():
        if min(first, last) < take.number <= max(first, last):
            for lamp, stops in take.turned.items():
                way = 1.0 if last >= first else -1.0
                total[lamp] = total.get(lamp, 0.0) + way * stops
    return total


def sides_of(
    names: Sequence[str], basis: Basis, ledger: Ledger | None, earlier: Found | None
) -> tuple[Found, Found]:
    """Return before and after: two names, or an earlier day's take and one name of today.

    Raises
    ------
    WrongUse
        If there are too few or too many names.
    """
    wanted = 2 if earlier is None else 1
    if len(names) != wanted:
        msg = (
            "Name two: BEFORE and AFTER."
            if earlier is None
            else "With --to, name what of today is held against it: one frame, take or look."
        )
        raise WrongUse(msg)
    found = [find(name, basis, ledger) for name in names]
    return (found[0], found[1]) if earlier is None else (earlier, found[0])


def draw(folder: Path, comparison: Comparison, before: Found, after: Found) -> None:
    """Draw the comparison's slip into a folder.

    Raises
    ------
    WrongUse
        If the pictures aren't there.
    """
    from stopwise.report.compared_slip import compose
    from stopwise.report.drawable import drawable_of
    from stopwise.report.slip_file import keep_slip

    if before.picture is None or after.picture is None:
        msg = "There is no picture to draw: the file of one side is gone. Name files."
        raise WrongUse(msg)
    names = (comparison.before.name, comparison.after.name)
    pictures = (drawable_of(before.picture), drawable_of(after.picture))
    sheet = compose(comparison, *pictures)
    keep_slip(folder, " to ".join(map(_stem, names)), "\0".join(names), sheet.png)


def _stem(name: str) -> str:
    last = name.replace("\\", "/").rpartition("/")[2]
    stem = last.rpartition(".")[0] or last
    return "".join(sign if sign.isalnum() or sign in "-_ ." else "-" for sign in stem)


@click.command()
@click.argument("names", nargs=-1, required=True, metavar="BEFORE AFTER")
@plan_option
@click.option("--turned", help='What was turned in between: "key -0.5, fill +0.2"; "" for nothing.')
@json_option
@click.option("--slip", "slip_folder", type=PATH, help="Draw both pictures and a map here.")
@ledger_option
@click.option("--look", help="Name of the look that is worn.")
@click.option("--to", "earlier_path", type=PATH, help="An earlier day's ledger, for its --take.")
@click.option("--take", help="The take of --to that today is held against.")
def compare(
    names: tuple[str, ...],
    plan_path: Path | None,
    turned: str | None,
    as_json: bool,  # noqa: FBT001 - click hands flags over by name
    slip_folder: Path | None,
    take: str | None,
    **more: Any,
) -> int:
    """Say in stops what changed from BEFORE to AFTER, the camera's settings taken out.

    Each is a raw file, or a frame, a take ("take 3") or a look by name, in --ledger or the watch's
    own. With --to and --take only AFTER is named.

    Example: stopwise compare F0009.dng F0011.dng --plan plan.toml --turned "key -0.8"
    """
    place = more["ledger_path"]
    if place is None and not all(Path(name).is_file() for name in names):
        watch = the_one_watch()
        if watch is not None:
            place, plan_path = watch.ledger, plan_path or watch.plan
    plan = read_plan(plan_path)
    if (more["earlier_path"] is None) != (take is None):
        msg = "--to and --take go together: an earlier day's ledger, and a take of it."
        raise WrongUse(msg)
    said = None if turned is None else read_turned(turned, plan)
    with ExitStack() as opened:
        ledger, earlier_ledger = (_opened(opened, one) for one in (place, more["earlier_path"]))
        basis = Basis(plan, plan_path, more["look"])
        earlier = None if earlier_ledger is None else find_take(take or "", basis, earlier_ledger)
        basis = opened.enter_context(basis.reading(ledger))
        with at_work("Reading both sides"):
            before, after = sides_of(names, basis, ledger, earlier)
            comparison = compare_found(
                before,
                after,
                basis,
                turned=said_between(before, after, ledger) if said is None else said,
                same_solos=earlier is None or after.is_file,
            )
    _show(comparison, as_json=as_json)
    if slip_folder is not None:
        draw(slip_folder, comparison, before, after)
    return 0 if comparison.agrees else 1

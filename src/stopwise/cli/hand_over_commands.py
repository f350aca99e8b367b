"""`stopwise sheet` and `hand-over`: what remains of a shoot when the set is struck."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from stopwise.cli.day_commands import find_watch, watch_options
from stopwise.cli.named_sides import Basis, kept_picture, names_there, take_called
from stopwise.cli.options import PATH, check_look, plan_option, read_plan
from stopwise.cli.printing import at_work, say, tell
from stopwise.errors import PathMissing, WrongUse
from stopwise.handover.gathering import Chosen, gather
from stopwise.handover.lacking import lacks_of
from stopwise.handover.photographs import photograph
from stopwise.ledger import Ledger
from stopwise.plan.model import Plan
from stopwise.plan.now import plan_now

if TYPE_CHECKING:
    from collections.abc import Sequence

    from stopwise.handover.gathering import ShootKept

_HTML, _PDF = ".html", ".pdf"

pictures_option = click.option(
    "--picture", "pictures", type=PATH, multiple=True, help="A picture of the set: JPEG, PNG, HEIC."
)


def gathered(
    ledger: Ledger, plan_path: Path | None, pictures: Sequence[Path], chosen: Chosen
) -> ShootKept:
    """Return a ledger's shoot, or the part of it that is chosen.

    Raises
    ------
    PathMissing
        If plan, frame or picture isn't there.
    WrongUse
        If the plan has no such look, or a picture can't be read.
    """
    plan = read_plan(plan_path) or Plan()
    check_look(plan, chosen.look)
    photographs = [(path.name, photograph(path)) for path in pictures]
    with Basis(plan, plan_path).reading(ledger) as basis:
        known = basis.frames.known(basis.brief, None, plan_now(plan))
    return gather(
        ledger,
        plan,
        chosen,
        picture_of=lambda record: kept_picture(record, ledger),
        solos_unusable=known.missing,
        photographs=photographs,
    )


@click.command()
@watch_options
@plan_option
@click.option("--take", help="Only a take's frames: its number or name.")
@click.option("--look", help="Only the frames of this look.")
@click.option("--frames", metavar="FIRST..LAST", help="Only from this frame to that one.")
@pictures_option
@click.option("--out", type=PATH, help="Where to: .html or .pdf. [set-sheet.html and .pdf here]")
@click.option("--paper", type=click.Choice(["A4", "Letter"]), default="A4", help="Of the PDF.")
@click.option("--check", "is_check", is_flag=True, help="Only say what the record lacks.")
def sheet(plan_path: Path | None, pictures: tuple[Path, ...], out: Path | None, **said: Any) -> int:
    """Write the set sheet of a shoot: its light, how it ran, and how it is set up again.

    With no option it is the watch that runs, or else the last one. With --check it only says what
    the record still lacks for a rebuild, and ends with 1 where that is anything: call it before the
    set is struck.

    Example: stopwise sheet --picture set.jpg --out fencer.pdf
    """
    places = _sheet_places(out)
    watch = find_watch(**said)
    with Ledger(watch.ledger, is_read_only=True) as ledger:
        chosen = Chosen(_take_number(said["take"], ledger), said["look"], *_ends(said["frames"]))
        shoot = gathered(ledger, plan_path or watch.plan, pictures, chosen)
    lacks = lacks_of(shoot)
    if said["is_check"]:
        say(*(one.words for one in lacks) if lacks else ("Nothing is lacking.",))
        return 1 if lacks else 0
    with at_work("Drawing the set sheet"):
        _write_sheets(shoot, places, paper=said["paper"])
    say(*(f"Wrote {place}." for place in places))
    if lacks:
        things = "1 thing is" if len(lacks) == 1 else f"{len(lacks)} things are"
        tell(f"{things} lacking for a rebuild, as stopwise sheet --check says.")
    return 0


def _take_number(take: str | None, ledger: Ledger) -> int | None:
    if take is None:
        return None
    found = take_called(take, ledger)
    if found is None:
        msg = f"{ledger.place} has no take {take!r}. {names_there(ledger)}"
        raise PathMissing(msg)
    return found.number


def _ends(frames: str | None) -> tuple[str | None, str | None]:
    """Return the first and the last frame of "F0009.dng..F0021.dng"; either may be left open."""
    first, dots, last = (frames or "..").partition("..")
    if not dots or (frames is not None and not (first or last)):
        msg = f'--frames "{frames}" can\'t be read. Write FIRST..LAST, such as F0009.dng..F0021.dng'
        raise WrongUse(msg)
    return first.strip() or None, last.strip() or None


def _sheet_places(out: Path | None) -> list[Path]:
    """Return where a set sheet is written.

    Raises
    ------
    WrongUse
        If the name ends in neither .html nor .pdf.
    """
    if out is None:
        return [Path(f"set-sheet{kind}") for kind in (_HTML, _PDF)]
    if out.suffix.lower() not in (_HTML, _PDF):
        msg = f"{out.name} must end in .html or .pdf: that says what is written."
        raise WrongUse(msg)
    return [out]


def _write_sheets(shoot: ShootKept, places: Sequence[Path], *, paper: Any) -> None:
    from stopwise.handover.document import html_of, pdf_of
    from stopwise.handover.set_sheet import set_sheet
    from stopwise.whole_file import write_whole

    document = set_sheet(shoot)
    for place in places:
        is_pdf = place.suffix.lower() == _PDF
        write_whole(place, pdf_of(document, paper=paper) if is_pdf else html_of(document))


@click.command("hand-over")
@click.argument("handed", metavar="DIR", type=PATH)
@watch_options
@plan_option
@pictures_option
@click.option("--parquet", "has_parquet", is_flag=True, help="The figures as Parquet as well.")
@click.option("--check", "is_check", is_flag=True, help="Only hold DIR to its SHA256SUMS.")
def hand_over(handed: Path, plan_path: Path | None, pictures: tuple[Path, ...], **said: Any) -> int:
    """Put everything that a rebuild or another house needs into one folder, each file verified.

    Plan, ledger, the plan's own frames, floor, set sheet, figures. Nothing is moved or deleted; one
    that was interrupted goes on when it is called again. `rebuild` takes the folder as it is.

    Example: stopwise hand-over /media/disk/fencer --picture set.jpg
    """
    from stopwise.handover.bundle import Bundle, faults_in
    from stopwise.handover.contents import makers_of, raws_of, readme_of

    if said["is_check"]:
        faults = faults_in(handed)
        say(*faults or ("Every file is whole.",))
        return 1 if faults else 0
    watch = find_watch(**said)
    plan = plan_path or watch.plan_path()
    watched = [Path(watch.folder)] if watch.folder else []  # of a ledger that check kept, nobody's
    bundle = Bundle(handed, away_from=(*watched, plan.parent))
    if bundle.was_interrupted:
        tell(f"{handed} holds a hand-over that was interrupted: it goes on.")
    with Ledger(watch.ledger, is_read_only=True) as ledger:
        shoot = gathered(ledger, plan, pictures, Chosen())
        raws = raws_of(shoot, ledger, plan)
        makers = makers_of(shoot, ledger, plan, has_parquet=said["has_parquet"])
        steps = bundle.write(readme_of(shoot), copied=raws, made=makers)
        with click.progressbar(
            steps, length=len(raws) + len(makers) + 1, label="Writing", file=sys.stderr
        ) as shown:
            written = list(shown)
    lay = sum(one.was_there for one in written)
    stood = f"; {lay} lay there already" if lay else ""
    say(f"{len(written)} files in {handed}, each read again and whole{stood}.")
    return 0

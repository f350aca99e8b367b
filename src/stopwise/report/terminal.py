"""The terminal: the words of frames, and a summary that stays below them while they land."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Self, TextIO

from rich.cells import cell_len, set_cell_size
from rich.console import Console
from rich.live import Live
from rich.text import Text

from stopwise.conditions import condition
from stopwise.messages import place_name, say, told
from stopwise.report.facts import facts, share
from stopwise.report.look import DARK, STATE_MARKS, VERDICT_MARKS, colour_of
from stopwise.report.ruler import ROMAN
from stopwise.wording import CUT, shown

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence

    from stopwise.findings import State
    from stopwise.measurement.figures import PatchReading
    from stopwise.pipeline.brief import FrameNote
    from stopwise.record import Record
    from stopwise.report.look import Mark

NAME_WIDTH = 24
"""Columns that a file's name may take on a frame's line: what two lines of a headline leave free on
a terminal of 120."""

MOST_NAMED = 3
"""Names that the summary tells: what a person keeps in mind."""

INDENT = "  "
_VERDICT_WIDTH = max(len(verdict) for verdict in VERDICT_MARKS)
_STATE_WIDTH = max(len(state) for state in STATE_MARKS)


@dataclass(frozen=True, slots=True)
class Style:
    """How words are put on a screen.

    Attributes
    ----------
    glyphs
        Whether marks may be signs outside ASCII.
    width
        Columns that a line may take; None for as many as it needs.
    """

    glyphs: bool = True
    width: int | None = None

    def mark(self, mark: Mark) -> Text:
        """Return a mark in its colour."""
        return Text(mark.glyph if self.glyphs else mark.plain, style=colour_of(mark, DARK))

    def told(self, state: State, words: str) -> Text:
        """Return a line that begins with the mark of a state."""
        return Text.assemble(INDENT, self.mark(STATE_MARKS[state]), f" {shown(words)}")

    def finding(self, state: State, say: str, do: str) -> Text:
        """Return a finding's line: its state, what is, what to do."""
        return self.told(state, f"{state:<{_STATE_WIDTH}}  {say}{f' {do}' if do else ''}")


@dataclass(slots=True)
class Tally:
    """What a run of frames came to.

    Attributes
    ----------
    verdicts
        Frames by verdict.
    called
        How often each patch, lamp or setting was the worst.
    """

    verdicts: Counter[str] = field(default_factory=Counter)
    called: Counter[str] = field(default_factory=Counter)

    def add(self, record: Record) -> None:
        """Count one frame in."""
        self.verdicts[record.verdict] += 1
        if record.verdict == "off plan" and record.findings:
            self.called[place_name(record.findings[0])] += 1

    @property
    def frames(self) -> int:
        """Frames counted."""
        return self.verdicts.total()


def frame_line(record: Record, *, style: Style | None = None) -> Text:
    """Return one frame in one line: mark and verdict, file, what, and what to do.

    Parameters
    ----------
    record
        The frame's record.
    style
        How it is put on the screen; by default with glyphs and as wide as it needs.

    Returns
    -------
    Text
        One line, free of control characters whatever the file is called. Of a long name the end is
        kept, since its number is there.
    """
    style = style or Style()
    name = shown(record.file)
    while cell_len(name) > NAME_WIDTH:
        name = CUT + name.removeprefix(CUT)[1:]
    what, advice = record.headline
    mark = VERDICT_MARKS[record.verdict]
    line = Text.assemble(
        style.mark(mark),
        (f" {record.verdict:<{_VERDICT_WIDTH}}  ", f"bold {colour_of(mark, DARK)}"),
        set_cell_size(name, NAME_WIDTH),
        (f"  {what}", "bold" if record.verdict == "off plan" else ""),
        f" {advice}",
        no_wrap=True,
    )
    if style.width is not None:
        line.truncate(style.width, overflow="ellipsis" if style.glyphs else "crop")
    return line


def summary_line(tally: Tally) -> Text:
    """Return what a run of frames came to, in one line."""
    if not tally.frames:
        return Text("No frame yet.", no_wrap=True)
    frames = "1 frame" if tally.frames == 1 else f"{tally.frames} frames"
    parts = [f"{tally.verdicts[name]} {name}" for name in VERDICT_MARKS if tally.verdicts[name]]
    line = f"{frames}: {', '.join(parts)}."
    worst = [f"{shown(name)} ({count})" for name, count in tally.called.most_common(MOST_NAMED)]
    if worst:
        line += f" Called most: {', '.join(worst)}."
    return Text(line, no_wrap=True)


def frame_text(record: Record, *, style: Style | None = None) -> Text:
    """Return all that a file's record holds, for a person who asked for this file.

    Parameters
    ----------
    record
        The frame's record.
    style
        How it is put on the screen.
    """
    style = style or Style()
    mark = VERDICT_MARKS[record.verdict]
    verdict = (record.verdict, f"bold {colour_of(mark, DARK)}")
    head = Text.assemble(style.mark(mark), " ", verdict, "  ")
    return blocks(
        [
            head.append(shown(record.file)),
            *(Text(INDENT + line, "bold") for line in record.headline),
        ],
        [style.finding(one.state, say(one), advice) for one, advice in told(record.answer)],
        _patch_table(record.patches),
        _fact_lines(record),
    )


def blocks(*parts: Iterable[Text]) -> Text:
    """Return blocks of lines with an empty line between them; empty blocks are left out."""
    lines = [list(part) for part in parts]
    return Text("\n\n").join(Text("\n").join(block) for block in lines if block)


def table(
    head: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    left: Collection[int] = (0,),
    marks: Sequence[Text] = (),
    strong: Collection[int] = (),
) -> list[Text]:
    """Return rows in columns under a dim head; without rows there is no table.

    Parameters
    ----------
    head
        What stands over each column.
    rows
        As many cells each.
    left
        Columns that begin at the left; the others, figures, end at the right.
    marks
        A mark before each row.
    strong
        Rows that stand out.
    """
    if not rows:
        return []
    widths = [max(cell_len(cell) for cell in column) for column in zip(head, *rows, strict=True)]
    lines = []
    for place, cells in enumerate((head, *rows), start=-1):
        told = "  ".join(
            set_cell_size(cell, width) if column in left else f"{cell:>{width}}"
            for column, (cell, width) in enumerate(zip(cells, widths, strict=True))
        )
        look = "dim" if place < 0 else "bold" if place in strong else ""
        before = (marks[place] if place >= 0 else Text(" ")) + Text(" ") if marks else Text()
        lines.append(Text.assemble(INDENT, before, (told.rstrip(), look)))
    return lines


def _patch_table(patches: Mapping[str, PatchReading]) -> list[Text]:
    def figure(value: float | None, form: str = ".2f") -> str:
        return "-" if value is None else f"{value:{form}}"

    rows = [
        (
            shown(name),
            figure(patch.zone),
            figure(patch.uncertainty),
            figure(patch.top),
            figure(patch.headroom),
            share(patch.clipped),
            share(patch.blocked or 0.0),
            figure(patch.snr, ".0f"),
        )
        for name, patch in patches.items()
    ]
    return table(("patch", "zone", "+-", "top", "headroom", "blown", "blocked", "SNR"), rows)


def _fact_lines(record: Record) -> Iterator[Text]:
    told = [(label, words) for label, words in facts(record) if label not in ("File", "Reason")]
    if record.zones and record.zones.share:
        parts = zip(ROMAN, record.zones.share, strict=True)
        told.append(("Zones", "  ".join(f"{roman} {share(part)}" for roman, part in parts if part)))
    width = max((len(label) for label, _ in told), default=0)
    for label, words in told:
        yield Text.assemble((f"{INDENT}{label:<{width}}  ", "dim"), words)


def note_lines(notes: Iterable[FrameNote], told: set[FrameNote]) -> list[str]:
    """Return what is to be said of notes and what to do: one line for all in the same condition.

    Each is said once: those in `told` are passed over, and the others are put there.
    """
    alike: dict[tuple[str, str], list[str]] = {}
    for note in notes:
        if note in told:
            continue
        told.add(note)
        names = alike.setdefault((note.condition, note.detail), [])
        names.append(f"{note.file} ({note.part.words})")
    lines = []
    for (name, detail), frames in alike.items():
        row = condition(name)
        seen = f" ({detail.rstrip('.')})" if detail else ""
        named = frames
        if len(frames) > MOST_NAMED:
            named = [*frames[: MOST_NAMED - 1], f"{len(frames) - MOST_NAMED + 1} more"]
        lines.append(f"The plan's {', '.join(named)}: {row.short}{seen}. {row.do}")
    return lines


class Terminal:
    """Prints frames as they are judged, and what they came to at the end.

    On a terminal the summary stays in the last line and changes with each frame; anywhere else the
    output is plain text and the summary is printed once, at the end.

    Parameters
    ----------
    file
        Where to print; None for standard output.
    console
        A console of one's own instead, for tests.
    """

    def __init__(self, file: TextIO | None = None, *, console: Console | None = None) -> None:
        self.console = console or Console(file=file, markup=False, highlight=False, emoji=False)
        self.tally = Tally()
        self._live: Live | None = None

    def __enter__(self) -> Self:
        """Begin the summary that stays, where there is a terminal."""
        if self.console.is_terminal:
            self._live = Live(
                summary_line(self.tally),
                console=self.console,
                auto_refresh=False,
                transient=True,
                redirect_stdout=False,
                redirect_stderr=False,
            )
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Leave the summary as the last line."""
        if self._live is not None:
            self._live.stop()
            self._live = None
        if self.tally.frames:
            self._print(summary_line(self.tally))

    @property
    def style(self) -> Style:
        """What this terminal can show."""
        return Style(
            glyphs=self._shows_glyphs(),
            width=self.console.width if self.console.is_terminal else None,
        )

    def frame(self, record: Record) -> None:
        """Print one frame in one line and count it in."""
        self.tally.add(record)
        self._print(frame_line(record, style=self.style))
        if self._live is not None:
            self._live.update(summary_line(self.tally), refresh=True)

    def file(self, record: Record) -> None:
        """Print all that one file's record holds and count it in."""
        self.tally.add(record)
        self._print(frame_text(record, style=self.style))

    def show(self, text: Text) -> None:
        """Print text of our own making, in its colours."""
        self._print(text)

    def note(self, words: str) -> None:
        """Print a line of our own, with what is outside ours spelled out."""
        self._print(Text(shown(words)))

    def _print(self, text: Text) -> None:
        self.console.print(self._encodable(text), soft_wrap=True)

    def _encodable(self, text: Text) -> Text:
        """Return text that this terminal's encoding can hold, the rest spelled out."""
        encoding = self.console.encoding
        try:
            text.plain.encode(encoding)
        except UnicodeEncodeError:
            plain = text.plain.replace(CUT, "...")
            return Text(plain.encode(encoding, "backslashreplace").decode(encoding))
        return text

    def _shows_glyphs(self) -> bool:
        glyphs = "".join(mark.glyph for mark in VERDICT_MARKS.values()) + "…"
        try:
            glyphs.encode(self.console.encoding)
        except (UnicodeEncodeError, LookupError):
            return False
        return True

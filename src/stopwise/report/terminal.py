"""The terminal: lines above, a summary that stays below them while frames land."""

from __future__ import annotations

from typing import TYPE_CHECKING, Self, TextIO

from rich.console import Console
from rich.live import Live
from rich.text import Text

from stopwise.report.look import VERDICT_MARKS
from stopwise.report.text import Style, Tally, frame_line, frame_text, summary_line
from stopwise.wording import CUT, shown

if TYPE_CHECKING:
    from types import TracebackType

    from stopwise.record import Record


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

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
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

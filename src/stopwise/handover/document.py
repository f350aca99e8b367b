"""A document as sections of words, tables and pictures: as one HTML file, and as a PDF."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from fpdf import FPDF
from fpdf.enums import TableBordersLayout
from fpdf.fonts import FontFace

from stopwise.report.look import LIGHT
from stopwise.report.sheet import font_with

if TYPE_CHECKING:
    from jinja2 import Template


@dataclass(frozen=True, slots=True)
class Words:
    """Sentences, one below the other.

    Attributes
    ----------
    lines
        Plain text.
    numbered
        Whether they are steps that are done in this order.
    """

    lines: tuple[str, ...]
    numbered: bool = False


@dataclass(frozen=True, slots=True)
class Rows:
    """A table.

    Attributes
    ----------
    head
        Its columns.
    rows
        A cell for each column.
    widths
        How wide each column is against the others; alike where it is empty.
    figures
        Columns of figures, which stand at the right.
    """

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[int, ...] = ()
    figures: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture, as wide as the page: the file's bytes, their kind, and what it shows in words."""

    data: bytes
    media: str
    shows: str


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and what stands below it."""

    title: str
    parts: tuple[Words | Rows | Picture, ...]


@dataclass(frozen=True, slots=True)
class Document:
    """A title, a line below it, and sections."""

    title: str
    line: str
    sections: tuple[Section, ...]


def html_of(document: Document) -> bytes:
    """Return a document as an HTML file in UTF-8 with its pictures inside; it calls for nothing."""
    return _template().render(document=document, theme=LIGHT).encode("utf-8", "replace")


@cache
def _template() -> Template:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    folder = Path(__file__).parent / "templates"
    environment = Environment(
        loader=FileSystemLoader(folder),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["as_url"] = _as_url
    environment.tests |= {
        "words": lambda part: isinstance(part, Words),
        "rows": lambda part: isinstance(part, Rows),
    }
    return environment.get_template("set_sheet.html")


def _as_url(picture: Picture) -> str:
    return f"data:{picture.media};base64,{base64.b64encode(picture.data).decode('ascii')}"


Paper = Literal["A4", "Letter"]

_MARGIN = 15.0  # millimetres: what any printer can print, with room for a hole
_FAMILY = "sheet"
_SIZE, _SMALL, _HEADING, _TITLE = 9.5, 8.0, 13.0, 22.0  # points of type
_LINE = 1.35  # height of a line against its type
_QUIET = 96  # grey of what may be read, 0 to 255: 6:1 on white
_GAP = 3.0  # millimetres between parts
_HEADING_MM, _LEAST_MM = 9.0, 18.0  # millimetres of a heading, and of words that stay with it
_MOST_HIGH = 0.6  # of a page's height for one picture
_RULE = 200  # grey of lines that only part rows


def pdf_of(document: Document, *, paper: Paper = "A4") -> bytes:
    """Return a document as a PDF file."""
    pdf = FPDF(format=paper)
    pdf.set_margin(_MARGIN)
    pdf.set_auto_page_break(True, margin=_MARGIN)
    pdf.set_title(document.title)
    pdf.set_creator("stopwise")
    _add_fonts(pdf, document)
    pdf.add_page()
    _write(pdf, document.title, size=_TITLE, bold=True)
    _write(pdf, document.line, grey=_QUIET)
    for section in document.sections:
        pdf.ln(_GAP)
        first = section.parts[0]
        least = _HEADING_MM + (
            _LEAST_MM if isinstance(first, Words | Rows) else _height(pdf, first)
        )
        if pdf.get_y() + least > pdf.page_break_trigger:
            pdf.add_page()
        _write(pdf, section.title, size=_HEADING, bold=True)
        for part in section.parts:
            if isinstance(part, Words):
                for number, line in enumerate(part.lines, start=1):
                    _write(pdf, f"{number}.  {line}" if part.numbered else line)
            elif isinstance(part, Rows):
                _write_rows(pdf, part)
            else:
                _draw(pdf, part)
    return bytes(pdf.output())


def _add_fonts(pdf: FPDF, document: Document) -> None:
    """Give the file its own type, and that of each sign which it lacks, where one is installed."""
    import matplotlib as mpl

    folder = Path(mpl.get_data_path(), "fonts", "ttf")
    for style, name in (("", "DejaVuSans.ttf"), ("B", "DejaVuSans-Bold.ttf")):
        pdf.add_font(_FAMILY, style, folder / name)
    found = (font_with(sign) for sign in sorted(_signs(document)))
    paths = dict.fromkeys(Path(path) for path in found if path is not None)
    names: list[str] = []
    for path in paths:
        if path.suffix.lower() in (".ttf", ".otf") and path.name != "DejaVuSans.ttf":
            names.append(f"{_FAMILY}{len(names)}")
            pdf.add_font(names[-1], "", path)
    pdf.set_fallback_fonts(names, exact_match=False)


def _signs(document: Document) -> set[str]:
    """Return every sign that a document writes."""
    signs = set(document.title + document.line)
    for section in document.sections:
        signs |= set(section.title)
        for part in section.parts:
            if isinstance(part, Words):
                signs.update(*part.lines)
            elif isinstance(part, Rows):
                signs.update(*part.head, *(cell for row in part.rows for cell in row))
            else:
                signs |= set(part.shows)
    return signs


def _write(
    pdf: FPDF, words: str, *, size: float = _SIZE, bold: bool = False, grey: int = 0
) -> None:
    pdf.set_font(_FAMILY, "B" if bold else "", size)
    pdf.set_text_color(grey)
    height = size * _LINE / pdf.k
    pdf.multi_cell(pdf.epw, height, words, align="L", new_x="LMARGIN", new_y="NEXT")
    pdf.ln(height * 0.2)


def _write_rows(pdf: FPDF, part: Rows) -> None:
    pdf.set_font(_FAMILY, "", _SMALL)
    pdf.set_text_color(0)
    pdf.set_draw_color(_RULE)
    aligned = tuple("RIGHT" if place in part.figures else "LEFT" for place in range(len(part.head)))
    with pdf.table(
        borders_layout=TableBordersLayout.HORIZONTAL_LINES,
        col_widths=part.widths or None,
        headings_style=FontFace(color=_QUIET),
        line_height=_SMALL * _LINE / pdf.k,
        padding=(0.7, 1.2, 0.7, 0.0),
        text_align=aligned,
    ) as table:
        for cells in (part.head, *part.rows):
            row = table.row()
            for cell in cells:
                row.cell(cell)
    pdf.ln(_GAP)


def _draw(pdf: FPDF, picture: Picture) -> None:
    height = _height(pdf, picture)
    if pdf.get_y() + height > pdf.page_break_trigger:
        pdf.add_page()
    told = io.BytesIO(picture.data)
    pdf.image(told, h=height - 2 * _GAP, alt_text=picture.shows)
    pdf.ln(0.3 * _GAP)
    _write(pdf, picture.shows, size=_SMALL, grey=_QUIET)


def _height(pdf: FPDF, picture: Picture) -> float:
    """Return the millimetres that a picture takes with its words, as wide as the page or less."""
    from PIL import Image

    with Image.open(io.BytesIO(picture.data)) as opened:
        aspect = opened.width / opened.height
    return min(pdf.epw / aspect, _MOST_HIGH * pdf.eph) + 2 * _GAP

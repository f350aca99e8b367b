"""A document as sections of words, tables and pictures: what HTML and PDF both show."""

from __future__ import annotations

from dataclasses import dataclass


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

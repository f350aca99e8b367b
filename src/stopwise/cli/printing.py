"""What commands print: each line free of what could steer a screen, whoever named the files."""

from __future__ import annotations

import json
import sys
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

import click

from stopwise.wording import shown

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping


def say(*lines: str) -> None:
    """Print lines on standard output, what is no plain text in them spelled out."""
    for line in lines:
        click.echo(_printable(line, sys.stdout.encoding))


def warn(*lines: str) -> None:
    """Print lines on standard error likewise; where it can't be written there is nobody to tell."""
    with suppress(OSError):
        for line in lines:
            click.echo(_printable(line, sys.stderr.encoding), err=True)


def tell(*lines: str) -> None:
    """Print on standard error what went wrong or is to be known, under the program's name."""
    warn(*(f"stopwise: {line}" for line in lines))


def say_json(value: Mapping[str, object]) -> None:
    """Print one line of JSON, in plain ASCII so that any name survives."""
    click.echo(json.dumps(value))


def say_rows(rows: Iterable[str]) -> None:
    """Print rows of a table or of JSON, each with its own line end and safe to print already."""
    for row in rows:
        click.echo(row, nl=False)


@contextmanager
def at_work(words: str) -> Iterator[None]:
    """Say on a terminal what is being done for as long as the block lasts; elsewhere nothing."""
    if not sys.stderr.isatty():
        yield
        return
    from rich.console import Console

    with Console(stderr=True, markup=False).status(_printable(words, sys.stderr.encoding)):
        yield


def _printable(line: str, encoding: str | None) -> str:
    kept = encoding or "utf-8"
    return shown(line).encode(kept, "backslashreplace").decode(kept)

"""A document as one self-contained HTML file that prints well."""

from __future__ import annotations

import base64
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from stopwise.handover.document import Rows, Words
from stopwise.report.look import LIGHT

if TYPE_CHECKING:
    from jinja2 import Template

    from stopwise.handover.document import Document, Picture


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

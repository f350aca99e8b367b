"""The page's one way out: typed values to JSON."""

from __future__ import annotations

from pydantic_core import to_json
from starlette.responses import Response


def json_of(value: object) -> bytes:
    """Return frozen dataclasses, mappings and sequences as JSON; what isn't finite is null."""
    return to_json(value, inf_nan_mode="null")


def answered(value: object, code: int = 200) -> Response:
    """Return an answer that holds a value as JSON."""
    return Response(json_of(value), code, media_type="application/json")

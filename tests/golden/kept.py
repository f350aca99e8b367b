"""How answers are kept and compared: one file a part, sentences in a file of their own."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator

HERE = Path(__file__).parent

SENTENCES = ("say", "do", "reason", "shown", "notes", "words")
"""Keys whose strings people read: they are kept in `sentences.json`, so that a change of wording
doesn't hide among figures."""

LIKE = 1.01e-6
"""Two figures are the same within this, absolute up to 1 and relative above: answers are rounded to
seven digits, and a last digit may fall either way."""


def split(answers: dict[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return answers without their sentences, and the sentences alone by their paths."""
    sentences: dict[str, Any] = {}

    def bare(node: Any, path: tuple[str, ...]) -> Any:
        if isinstance(node, list):
            return [bare(part, (*path, str(number))) for number, part in enumerate(node)]
        if not isinstance(node, dict):
            return node
        for key in SENTENCES:
            if node.get(key):
                sentences.setdefault(_named(path), {})[key] = node[key]
        return {key: bare(part, (*path, key)) for key, part in node.items() if key not in SENTENCES}

    return bare(answers, ()), sentences


def differences(kept: Any, now: Any, path: tuple[str, ...] = ()) -> Iterator[str]:
    """Yield each path at which two answers differ, with both values."""
    if isinstance(kept, dict) and isinstance(now, dict):
        for key in [*kept, *(key for key in now if key not in kept)]:
            if key not in now:
                yield f"{_named((*path, key))}: kept {_short(kept[key])}, now not there"
            elif key not in kept:
                yield f"{_named((*path, key))}: not kept, now {_short(now[key])}"
            else:
                yield from differences(kept[key], now[key], (*path, key))
    elif isinstance(kept, list) and isinstance(now, list) and len(kept) == len(now):
        for number, (one, other) in enumerate(zip(kept, now, strict=True)):
            yield from differences(one, other, (*path, str(number)))
    elif not _alike(kept, now):
        yield f"{_named(path)}: kept {_short(kept)}, now {_short(now)}"


def _alike(kept: Any, now: Any) -> bool:
    figures = [isinstance(one, int | float) and not isinstance(one, bool) for one in (kept, now)]
    if not all(figures):
        return type(kept) is type(now) and bool(kept == now)
    return math.isclose(kept, now, rel_tol=LIKE, abs_tol=LIKE)


def _named(path: tuple[str, ...]) -> str:
    return " / ".join(path)


def _short(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 300 else f"{text[:300]}..."


def read(name: str) -> Any:
    """Return what one file keeps."""
    return json.loads((HERE / f"{name}.json").read_text(encoding="utf-8"))


def write(name: str, answers: Any) -> None:
    """Keep answers in one file, a line for each small part."""
    (HERE / f"{name}.json").write_text(f"{_lines(answers, '')}\n", encoding="utf-8")


def _lines(node: Any, indent: str) -> str:
    text = json.dumps(node, ensure_ascii=False)
    if len(indent) + len(text) <= 160 or not isinstance(node, dict | list):
        return text
    deeper = f"{indent} "
    if isinstance(node, list):
        inner = [_lines(part, deeper) for part in node]
    else:
        inner = [f"{json.dumps(key)}: {_lines(part, deeper)}" for key, part in node.items()]
    begin, end = "[]" if isinstance(node, list) else "{}"
    return f"{begin}\n" + ",\n".join(f"{deeper}{part}" for part in inner) + f"\n{indent}{end}"

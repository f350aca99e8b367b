"""The one table of the plan's keys, drawn from its model: what each means, may be and looks like.

What refuses a key, writes a new plan or docs/plan-keys.md, and reads a table said in one line all
look here.
"""

from __future__ import annotations

import typing
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from stopwise.plan.model import Plan, Table

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from pydantic.fields import FieldInfo

Shape = Literal["table", "tables", "boxes", "names", "numbers", "switch", "number", "text"]
"""What stands behind a key in the file; "tables" in double brackets, "numbers" in a list."""


@dataclass(frozen=True, slots=True)
class PlanKey:
    """One key of the plan, or the whole of it.

    Attributes
    ----------
    dotted
        Its name from the top of the file: "look.patch.box"; "" for the whole plan.
    shape, words
        What it holds, and the words that it may be where it takes only some.
    about, example, default
        What it means, a right value, and what holds without it; None where there is no single one,
        and `...` for a key that must be there.
    keys
        The keys of a table by their names, none for a value.
    """

    dotted: str
    shape: Shape
    words: tuple[str, ...] = ()
    about: str = ""
    example: object = None
    default: object = None
    keys: Mapping[str, PlanKey] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """The last part of its name."""
        return self.dotted.rpartition(".")[2]

    @property
    def header(self) -> str:
        """How it stands in a file: a table in its brackets."""
        brackets = {"table": "[{}]", "tables": "[[{}]]"}
        return brackets.get(self.shape, "{}").format(self.dotted)

    def at(self, path: Iterable[str | int]) -> PlanKey:
        """Return what a path leads to; an element of a list, or a name nobody knows, to its key."""
        found = self
        for part in path:
            found = found.keys.get(str(part), found)
        return found

    def tables(self) -> Iterator[PlanKey]:
        """Yield this table and every one in it."""
        yield self
        for key in self.keys.values():
            yield from key.tables() if key.keys else ()


def _read(table: type[Table], dotted: str) -> dict[str, PlanKey]:
    """Return the keys of a table of the model, by the names that they have in the file."""
    fields = ((one.alias or name, one) for name, one in table.model_fields.items())
    return {name: _key(one, f"{dotted}.{name}".lstrip(".")) for name, one in fields}


def _key(one: FieldInfo, dotted: str) -> PlanKey:
    kinds, words = _kinds(one.annotation)
    table = next((k for k in kinds if isinstance(k, type) and issubclass(k, Table)), None)
    is_many = typing.get_origin(one.annotation) is tuple
    return PlanKey(
        dotted,
        ("tables" if is_many else "table") if table else _shape(kinds),
        tuple(words),
        one.description or "",
        one.examples[0] if one.examples else None,
        ... if one.is_required() else one.default,
        _read(table, dotted) if table else {},
    )


def _shape(kinds: set[object]) -> Shape:
    """Return what a key holds that may be several things: the most of a list that it can."""
    shapes: dict[object, Shape] = {
        "boxes": "boxes", "names": "names", "numbers": "numbers", bool: "switch", float: "number",
        int: "number",
    }  # fmt: skip
    return next((shape for kind, shape in shapes.items() if kind in kinds), "text")


def _kinds(annotation: object) -> tuple[set[object], list[str]]:
    """Return the types in an annotation, lists by what they hold, and the words it is one of."""
    origin, inner = typing.get_origin(annotation), typing.get_args(annotation)
    if origin is Literal:
        return {type(word) for word in inner}, [word for word in inner if isinstance(word, str)]
    if origin is typing.Annotated:
        return _kinds(inner[0])
    if not inner:
        return {annotation}, []
    kinds, words = set[object](), list[str]()
    for part in inner:
        more = _kinds(part)
        kinds, words = kinds | more[0], [*words, *more[1]]
    if origin is tuple and kinds & {float, str, "numbers"}:
        kinds = {"boxes" if "numbers" in kinds else "names" if str in kinds else "numbers"}
    return kinds, words


PLAN = PlanKey("", "table", keys=_read(Plan, ""))
"""The whole plan: its tables, and their keys in them."""

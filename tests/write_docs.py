"""Write the pages of docs that are made from the code: `python tests/write_docs.py`."""

from __future__ import annotations

import ast
import inspect
import json
import re
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from stopwise import findings, frame, record
from stopwise.cli import commands
from stopwise.codes import HELPS, MESSAGES, NOTES, UNMET
from stopwise.conditions import CONDITIONS
from stopwise.lamps import outputs
from stopwise.measurement import figures
from stopwise.plan.doubts import SENTENCES
from stopwise.plan.keys import PLAN, PlanKey
from stopwise.plan.kinds import MATERIALS
from stopwise.record import record_schema

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

DOCS = Path(__file__).parents[1] / "docs"
SOURCE = Path(__file__).parents[1] / "src" / "stopwise"

MADE = "This page is made from the code by `python tests/write_docs.py`; a test holds the two together."  # noqa: E501

FIELDS = {
    "of": "the patch",
    "lit, shadow": "the lighter and the darker patch of a ratio or a separation",
    "lamp": "the lamp: `key`, `hair lamp`",
    "off": "size of the difference from what is planned, stops",
    "over": "`over` or `under`",
    "measured, planned": "what was read and what is planned, stops",
    "tenths, hundredths": "what was read, in stops to that digit",
    "share": "what was read, in per cent",
    "most": "the greatest share of the frame that it may be, in per cent",
    "snr, snr_planned": "signal to noise, read and planned",
    "figure": "which figure of the backdrop",
    "at, where": "a place, in per cent from the left and the top; or in words: `bottom left`",
    "beside": "` by the jacket`, of the patch that is near",
    "went, to_side": "how far and which way: `3 % left`; `to camera left, 4 %`",
    "boxes_follow, not_read": "boxes that went with the picture; lamps that can't be read",
    "held": "how the camera was held: `upright` or `landscape`",
    "side": "`left`, `right`, `top` or `bottom`",
    "count": "`40 pinpoints cover`",
    "since": "seconds since the frame before",
    "setting, found, plan": "a camera setting, what the file says, what is planned",
    "all_off": "what that setting does to every tone: `All 0.3 over: `",
    "check_power": "`Check it is at -2.5`, where takes left its dial; else `Check its power`",
    "check_lamps": "`Check key and fill.`, the lamps that lead the patch; else `Shoot again to be "
    "sure of the lamp.`",
    "solo": "`Shoot the key alone, mark it.`, the lamp that leads the patch",
    "feather": "`Feather the key, or key down 0.3.`",
    "shoot_slower, slower_than_sync": "a shutter time at which the flash is whole",
    "moved, said": "how something changed, and how it was said to: `up 0.4`, `unchanged`",
    "up, more": "`up` or `down`, `more` or `less`",
    "lead, turned": "the lamp whose light changed colour, and what it was turned by",
    "shift": "how far and which way the picture moved",
    "shift_hundredths": "how far a colour went, in stops to the hundredth",
    "steady": "`, lamps steady` where they are known to have been",
    "leave_out": "`Leave this frame out, and wait longer for ready.`",
    "way, far": "which way a spot went, and how far, as a share of the frame",
    "gives": "how far its light reaches, as a share of the frame",
    "way_back": "where the sitter goes, as a share of the frame",
    "secure": "what to do at the lamp's stand or boom; one that hangs over people: `Step away.` "
    "first",
}

HEAD = """# What is said

Every sentence about a frame is made from one table: what was checked, and the code of what it came to, both fields of a finding in [the record](record.md). Programs read the codes; the sentences may change. This page is made from that table by `python tests/write_docs.py`, and a test holds the two together.

In place of what stands in braces comes what the finding says. The headline takes the first of its lines that has room in 38 characters, and shortens names where none has; where no line is given it takes the sentence itself. Where a lamp's turn mends what is off, the lamp is told first, then what it does, and the turn is what to do: `Key 0.7 low. Brow 0.5 under.`, `Key up 0.7, to -2.0.`; `Key is at full: move it nearer.` Else what to do is what stands here. A patch that is off while its lamps are steady has a sentence of its own: `Cheek 0.4 over, lamps steady.`, `Sitter has turned. Leave the lamps.` Under the findings stand the other tables: what is said of the plan's own frames, of targets that no powers meet, of a plan against itself, and of each condition of a file or figure.
"""  # noqa: E501


def messages_page() -> str:
    """Return docs/messages.md."""
    parts = [HEAD]
    for check, rows in groupby(MESSAGES.items(), key=lambda row: row[0][0]):
        parts.append(
            f"## `{check}`\n\n| code | sentence | headline | what to do |\n|---|---|---|---|"
        )
        for (_, code), message in rows:
            lines = "<br>".join(message.headline)
            parts[-1] += f"\n| `{code}` | {message.say} | {lines} | {message.do} |"
        parts[-1] += "\n"
    parts.append(table("What stands in braces", ("field", "stands for"), FIELDS.items()))
    notes = ((f"`{code}`", *words) for code, words in NOTES.items())
    parts.append(table("The plan's own frames", ("code", "sentence", "what to do"), notes))
    why = ((f"`{reason}`", words) for reason, words in UNMET.items())
    parts.append(table("Why a target stays unmet", ("reason", "words"), why))
    helps = ((f"`{code}`", words) for code, words in HELPS.items())
    parts.append(table("What would help it", ("code", "sentence"), helps))
    doubts = ((f"`{code}`", *words) for code, words in SENTENCES.items())
    parts.append(
        table("A plan that doesn't fit itself", ("doubt", "sentence", "what to do"), doubts)
    )
    rows = ((str(row.code), f"`{name}`", row.short, row.long) for name, row in CONDITIONS.items())
    parts.append(table("Conditions", ("number", "name", "in short", "what it means"), rows))
    return "\n".join(parts)


def table(
    title: str, head: Sequence[str], rows: Iterable[Sequence[str]], *, about: str = ""
) -> str:
    """Return a part of the page: its title, some words, and rows under a head."""
    lines = ["| " + " | ".join(cells) + " |" for cells in (head, *rows)]
    words = [f"{about}\n"] if about else []
    return "\n".join([f"## {title}\n", *words, lines[0], "|" + "---|" * len(head), *lines[1:], ""])


def schema_page() -> str:
    """Return docs/record.schema.json."""
    return json.dumps(record_schema(), indent=1) + "\n"


COMMANDS = f"""# Each command

{MADE} It is what `stopwise COMMAND --help` says.
"""
WIDTH = 96


def commands_page() -> str:
    """Return docs/commands.md."""
    parts = [COMMANDS]
    for name, context in commands_of(commands, "stopwise"):
        parts += [f"## {name}", "```text", context.get_help(), "```", ""]
    return "\n".join(parts)


def commands_of(group: click.Group, said: str) -> Iterator[tuple[str, click.Context]]:
    """Yield every command that does something, by the words that call it."""
    listed = click.Context(group)
    for name in group.list_commands(listed):
        command = group.get_command(listed, name)
        if isinstance(command, click.Group):
            yield from commands_of(command, f"{said} {name}")
        elif command is not None:
            called = f"{said} {name}"
            command._help_option = None  # one that another caller had it make may lack -h
            yield (
                called,
                click.Context(
                    command, info_name=called, terminal_width=WIDTH, **commands.context_settings
                ),
            )


KEYS = f"""# Keys of the plan

{MADE} What a plan is, and how readings are written, stands in [plan.md](plan.md). A key with nothing under *without it* may be left out: then nothing is planned of it.
"""  # noqa: E501


def keys_page() -> str:
    """Return docs/plan-keys.md."""
    head = ("key", "means", "example", "without it")
    parts = [KEYS]
    for one in PLAN.tables():
        rows = [key_row(key) for key in one.keys.values() if not key.keys]
        title = f"`{one.header}`" if one.dotted else "The top of the file"
        parts.append(table(title, head, rows))
    limits = [
        (name, *(said(getattr(row, key)) for key in MATERIAL_KEYS))
        for name, row in MATERIALS.items()
    ]
    parts.append(table("What a material brings", ("material", *MATERIAL_KEYS), limits))
    parts.append("Common practice, from memory. A patch's own keys overrule its row.\n")
    return "\n".join(parts)


MATERIAL_KEYS = (
    "zone", "over", "under", "headroom", "may_clip", "blocked", "snr", "read_at", "must_see",
    "shine",
)  # fmt: skip


def key_row(key: PlanKey) -> tuple[str, str, str, str]:
    """Return a key's name, what it means and may be, an example, and what holds without it."""
    words = f": {', '.join(f'`{word}`' for word in key.words)}" if key.words else ""
    example = f"`{json.dumps(key.example)}`" if key.example is not None else ""
    return f"`{key.name}`", f"{key.about}{words}", example, said(key.default)


def said(value: object) -> str:
    """Return a value as a cell: nothing where there is none, a list in brackets."""
    if value is ...:
        return "must be there"
    if value in (None, (), {}, ""):
        return ""
    return str(list(value) if isinstance(value, tuple) else value)


RECORD = f"""# The record of a frame

{MADE} `stopwise check --json` and `stopwise watch --json` print one such JSON object a frame, one a line; the ledger keeps them, and `stopwise ledger export --json` hands them out. [record.schema.json](record.schema.json) is the same as a JSON Schema.

Every number is finite. What could not be measured is `null`, and the `why` beside it names the [condition](messages.md#conditions). Zones and differences are in stops, shares are fractions of 1, places are fractions of the upright picture (x to the right, y down), a box is `[x0, y0, x1, y1]`. `on the line` means that a figure, give or take its standard uncertainty, straddles the limit: it counts as held and is said.

A Python program gets it without the command: `stopwise.assess("F0009.dng", stopwise.load_plan("plan.toml"))` is a `stopwise.Record`, and its `to_json()` is what is printed. Rows that earlier versions kept are read as what is written now.

`stopwise compare --json` prints one object: `before`, `after`, `settings_stops` (ISO and aperture), `patches` (`stops`, `uncertainty`, `expected`, `red_green`, `blue_green`), `lamps` (stops) and `findings` with the keys below. `stopwise dial --json`: `lamps` (`turn`, `power`, `at_limit`), `predicted` (`patches` as zones with their `uncertainty`, `ratios`, `left_right`, `clipped`), `unmet` and `unsure` (`of`, `short_by`, `say`) and `alike`, lamps that no frame can tell apart. `stopwise run --json` prints one object a run.
"""  # noqa: E501

ONLY_JSON = {
    ("Record", "schema"): "Version of the record's shape.",
    ("Record", "reason"): "Why it can't be told or read, in words.",
    ("Record", "because"): "The same for programs.",
    ("Ratio", "ratio"): "The same as a factor, 2 to the power of `stops`.",
    ("Finding", "say"): "The sentence.",
    ("Finding", "do"): "What to do.",
    ("Finding", "code"): "What it came to; [messages.md](messages.md) has the sentence of each.",
    ("Turn", "do"): "The sentence.",
}
"""What keys of the JSON hold that the types don't have, or have otherwise."""


def record_page() -> str:
    """Return docs/record.md."""
    schema = record_schema()
    parts = [RECORD]
    for name, part in {"Record": schema, **schema["$defs"]}.items():
        home = next(one for one in HOMES if hasattr(one, name))
        summary, told = attributes_of(getattr(home, name))
        rows = [
            (f"`{key}`", ONLY_JSON.get((name, key)) or told.get(key, ""), kind_of(one))
            for key, one in part["properties"].items()
        ]
        parts.append(table(name, ("key", "holds", "is"), rows, about=summary))
    return "\n".join(parts)


MOST_WORDS = 20
HOMES = (record, findings, frame, figures, outputs)


def attributes_of(kind: type) -> tuple[str, dict[str, str]]:
    """Return a class's first words, and what its docstring says of each attribute."""
    text = inspect.getdoc(kind) or ""
    summary, _, rest = text.partition("\n\n")
    listed = rest.partition("Attributes\n----------\n")[2].partition("\n\n")[0]
    found = re.findall(r"^(\w[\w, ]*)\n((?: {4}.*\n?)+)", listed, re.MULTILINE)
    told = {
        name.strip(): " ".join(words.split()) for names, words in found for name in names.split(",")
    }
    return as_json_says(summary), {key: as_json_says(words) for key, words in told.items()}


def as_json_says(words: str) -> str:
    """Return words of a docstring as they hold of JSON."""
    return re.sub(r"\bNone\b", "`null`", " ".join(words.split())).replace("True", "`true`")


def kind_of(one: Mapping[str, Any]) -> str:
    """Return what a property of the schema may be, in few words."""
    match one:
        case {"$ref": str(path)}:
            part = path.rpartition("/")[2]
            kind = f"[{part}](#{part.lower()})"
        case {"enum": list(words)}:
            kind = ", ".join(f"`{one}`" for one in words) if len(words) < MOST_WORDS else "a word"
        case {"const": value}:
            kind = f"`{value}`"
        case {"anyOf": list(kinds)}:
            kind = " or ".join(dict.fromkeys(map(kind_of, kinds)))
        case {"prefixItems": [first, *_]} | {"items": dict(first)}:
            kind = f"list of {kind_of(first)}"
        case {"additionalProperties": dict(inner)}:
            kind = f"by name, {kind_of(inner)}"
        case _:
            kind = str(one.get("type", ""))
    return kind


LIMITS = f"""# Limits and constants

{MADE} Each number that a verdict may hang on, with its unit and where it comes from: a standard, a derivation, common practice, or what it was measured or chosen on. *Set on our own renderer* wants frames of real cameras; *the building half* are portraits that we didn't make, and other ones proved it ([measuring.md](measuring.md#what-was-measured)).
"""  # noqa: E501
ROOMS = ("stops.py", "grid.py", "reduction.py", "raw", "measurement", "targets.py", "lamps",
         "verdict", "comparison", "preparing", "shoot", "plan")  # fmt: skip


def limits_page() -> str:
    """Return docs/limits.md."""
    parts = [LIMITS]
    for room in ROOMS:
        for path in sorted((SOURCE / room).rglob("*.py")) or [SOURCE / room]:
            tree = ast.parse(path.read_text(encoding="utf-8"))
            if rows := list(constants_of(tree)):
                parts.append(table(f"`{path.relative_to(SOURCE).as_posix()}`", NUMBER, rows))
    return "\n".join(parts)


NUMBER = ("number", "is", "what it is, and where it comes from")
LONGEST = 60


def constants_of(tree: ast.Module) -> Iterator[tuple[str, str, str]]:
    """Yield each number at a module's top that has words beneath it: name, value, words."""
    for given, words in zip(tree.body, tree.body[1:], strict=False):
        if not (isinstance(given, ast.Assign) and isinstance(given.targets[0], ast.Name)):
            continue
        name, value = given.targets[0].id, ast.unparse(given.value)
        inside = (one.value for one in ast.walk(given.value) if isinstance(one, ast.Constant))
        is_number = any(isinstance(one, int | float) for one in inside)
        told = isinstance(words, ast.Expr) and isinstance(words.value, ast.Constant)
        if name == name.upper() and is_number and told and len(value) <= LONGEST:
            yield f"`{name.lstrip('_')}`", value, " ".join(words.value.value.split())


PAGES = {
    "messages.md": messages_page,
    "commands.md": commands_page,
    "plan-keys.md": keys_page,
    "record.md": record_page,
    "limits.md": limits_page,
    "record.schema.json": schema_page,
}

if __name__ == "__main__":
    for name, page in PAGES.items():
        (DOCS / name).write_text(page(), encoding="utf-8")

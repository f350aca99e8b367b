"""Write the pages of docs that are made from the code: `python tests/write_docs.py`."""

from __future__ import annotations

import json
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

from stopwise.codes import HELPS, MESSAGES, NOTES, UNMET
from stopwise.conditions import CONDITIONS
from stopwise.plan.doubts import SENTENCES
from stopwise.record import record_schema

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

DOCS = Path(__file__).parents[1] / "docs"

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
    "went, to_side": "how far and which way: `3 % left`; `to camera left, 4 %`",
    "boxes_follow, not_read": "boxes that went with the picture; lamps that can't be read",
    "held": "how the camera was held: `upright` or `landscape`",
    "side": "`left`, `right`, `top` or `bottom`",
    "count": "how many specks",
    "since": "seconds since the frame before",
    "setting, found, plan": "a camera setting, what the file says, what is planned",
    "all_off": "what that setting does to every tone: `All 0.3 over: `",
    "check_lamps": "`Check key and fill.`, the lamps that lead the patch; else `Shoot again to be "
    "sure of the lamp.`",
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


def table(title: str, head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return a part of the page: its title, and rows under a head."""
    lines = ["| " + " | ".join(cells) + " |" for cells in (head, *rows)]
    return "\n".join([f"## {title}\n", lines[0], "|" + "---|" * len(head), *lines[1:], ""])


def schema_page() -> str:
    """Return docs/record.schema.json."""
    return json.dumps(record_schema(), indent=1) + "\n"


PAGES = {"messages.md": messages_page, "record.schema.json": schema_page}

if __name__ == "__main__":
    for name, page in PAGES.items():
        (DOCS / name).write_text(page(), encoding="utf-8")

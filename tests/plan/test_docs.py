"""docs/plan.md stays true: every key of the model stands in it, and its examples are plans."""

from __future__ import annotations

import re
import shlex
import tomllib
from pathlib import Path
from typing import Any

import pytest

from stopwise.cli import run
from stopwise.errors import WrongUse
from stopwise.plan import readings
from stopwise.plan.keys import PLAN
from stopwise.plan.loading import plan_of_text
from stopwise.plan.materials import MATERIALS

PAGE = (Path(__file__).parents[2] / "docs" / "plan.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```toml\n(.+?)```", PAGE, re.DOTALL)
SECTIONS = dict(re.findall(r"^## (.+?)\n(.+?)(?=^## |\Z)", PAGE, re.M | re.S))
WHOLE = "\n".join(BLOCKS)


def section_of(table: str) -> str:
    if not table:
        return SECTIONS["The top of the file"]
    brackets = {f"`[{table}]`", f"`[[{table}]]`"}
    found = [text for name, text in SECTIONS.items() if any(mark in name for mark in brackets)]
    return found[0] if found else ""


def keys_in_tables(text: str) -> set[str]:
    first_cells = re.findall(r"^\| (`.+?) \|", text, re.MULTILINE)
    return {key for cell in first_cells for key in re.findall(r"`([a-z_0-9.]+)`", cell)}


TABLES = {table.dotted: table.keys for table in PLAN.tables()}
OWN_SECTION = sorted(table for table in TABLES if not table.startswith("look."))


@pytest.mark.parametrize("table", OWN_SECTION)
def test_every_key_stands_in_the_section_of_its_table(table: str) -> None:
    explained = keys_in_tables(section_of(table))
    keys = [name for name, key in TABLES[table].items() if not key.keys]
    assert [key for key in keys if key not in explained] == []


def test_the_page_explains_no_key_that_is_not_there() -> None:
    known = {key for keys in TABLES.values() for key in keys}
    sections = [text for name, text in SECTIONS.items() if name.startswith("`")]

    explained = {key for text in sections for key in keys_in_tables(text)}
    assert {key.split(".")[-1] for key in explained} - known == set()


def test_all_examples_together_are_one_plan_that_uses_every_key() -> None:
    plan = plan_of_text(WHOLE)

    used: dict[str, set[str]] = {}
    collect(tomllib.loads(WHOLE), "", used)
    for table, keys in TABLES.items():
        if not table.startswith("look."):
            assert set(keys) - used[table] == set(), table
    assert plan.looks[0].ratios[0].stops == 3.5


def collect(data: dict[str, Any], name: str, used: dict[str, set[str]]) -> None:
    used.setdefault(name, set()).update(data)
    for key, value in data.items():
        for part in value if isinstance(value, list) else [value]:
            if isinstance(part, dict):
                collect(part, f"{name}.{key}".lstrip("."), used)


def test_the_materials_stand_as_they_are() -> None:
    rows = {
        row[0]: row[1:]
        for row in (
            [cell.strip() for cell in line.strip("|").split("|")] for line in PAGE.splitlines()
        )
        if row[0] in MATERIALS
    }

    for name, material in MATERIALS.items():
        shown = [material.zone, material.over, material.under, material.headroom, material.may_clip]
        for cell, value in zip(rows[name][:5], shown, strict=True):
            assert (None if cell in ("", "none") else float(cell)) == value, (name, cell)


@pytest.mark.parametrize(
    ("read", "said"),
    [
        *(
            (readings.read_f_number, said)
            for said in (11, "f/11", "8+0.3", "8.3t", "8 and 3 tenths")
        ),
        *((readings.read_f_number, said) for said in ("8 1/3", "5.6 2/3", "f/8.3")),
        *((readings.read_shutter, said) for said in ("1/160", 160, 0.00625, "2 s")),
        *((readings.read_power, said) for said in (-2.0, "1/4", "1/4+0.3", "25 %", "full")),
        *((readings.read_power, said) for said in ("7.0 of 10",)),
        *((readings.read_length, said) for said in (1.8, "180 cm", "6 ft", "5'11\"")),
        *((readings.read_angle, said) for said in (60, "60 right", "45 left")),
        (readings.read_elevation, "35 up"),
    ],
)
def test_every_reading_of_the_page_can_be_read(read: Any, said: str | float) -> None:
    written = f'"{said}"'.replace('11""', '11\\""') if isinstance(said, str) else f"`{said}"

    assert written in PAGE
    assert isinstance(read(said), float)


@pytest.mark.parametrize(
    ("read", "said"),
    [(readings.read_f_number, 8.3), (readings.read_shutter, 2), (readings.read_shutter, 30)],
)
def test_what_the_page_calls_refused_is_refused(read: Any, said: float) -> None:
    with pytest.raises(WrongUse, match="can mean"):
        read(said)


def test_the_command_of_the_page_writes_a_plan(tmp_path: Path) -> None:
    command = re.search(r"^    stopwise plan new (.+?)\n\n", PAGE, re.M | re.S)
    assert command is not None
    words = shlex.split(command[1].replace("\\\n", " "))

    assert run(["plan", "new", str(tmp_path / words[0]), *words[1:]]) == 0
    plan = plan_of_text((tmp_path / "plan.toml").read_text(encoding="utf-8"))
    assert [light.name for light in plan.lights] == ["key", "fill"]

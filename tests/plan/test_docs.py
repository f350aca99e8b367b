"""docs/plan.md stays true: its example is a plan, its readings are read; one plan uses all keys."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from stopwise.errors import WrongUse
from stopwise.plan import readings
from stopwise.plan.keys import PLAN
from stopwise.plan.loading import plan_of_text

HERE = Path(__file__).parent
PAGE = (HERE.parents[1] / "docs" / "plan.md").read_text(encoding="utf-8")
TABLES = {table.dotted: table.keys for table in PLAN.tables()}


def test_the_example_of_the_page_is_a_plan() -> None:
    (example,) = re.findall(r"```toml\n(.+?)```", PAGE, re.DOTALL)

    plan = plan_of_text(example)
    assert plan.lights[0].meter == pytest.approx(11.314 * 2 ** (0.3 / 2), abs=0.01)
    assert [patch.target_zone for patch in plan.patches] == [6.3]


def test_one_plan_may_use_every_key() -> None:
    whole = (HERE / "whole_plan.toml").read_text(encoding="utf-8")
    plan = plan_of_text(whole)

    used: dict[str, set[str]] = {}
    collect(tomllib.loads(whole), "", used)
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

"""A plan is read whole, or refused with the line, what stands there and what would be right."""

from __future__ import annotations

import pickle
import re
from pathlib import Path
from typing import get_args

import pytest

import stopwise
from stopwise.errors import PathMissing, PlanError
from stopwise.plan.kinds import MATERIALS, MOST_BYTES
from stopwise.plan.loading import load_plan, plan_of_text
from stopwise.plan.model import MaterialName

CASES = re.findall(
    r"^>>> (\d+) \| (.+)\n((?:(?!>>> ).*\n)+)",
    (Path(__file__).parent / "bad_plans.txt").read_text(encoding="utf-8"),
    re.MULTILINE,
)

WHOLE = """\
schema = 1
title = "Fencer, hard light"
[camera]
iso = "ISO 100"
f_number = "f/11"
shutter = "1/160"
sync_speed = 200
balance = [2.0, 1.0, 1.5]
[[light]]
name = "key"
role = "key"
off_axis = "60 right"
elevation = 35
distance = "180 cm"
meter = "8+0.3"
full_ws = 500
power = "125 Ws"
range = ["1/256", "full"]
step = "1/3"
[[light]]
name = "fill"
power = "7.0 of 10"
[[patch]]
name = "lit cheek"
box = [0.5, 0.4, 0.6, 0.5]
material = "skin"
zone = 6.5
lit_by = ["key", "fill"]
[[separation]]
lighter = "lit cheek"
darker = "backdrop"
at_least = 1
[backdrop]
boxes = [[0, 0, 0.2, 1]]
[[look]]
name = "black"
[[look.patch]]
name = "coat"
box = [0.1, 0.5, 0.2, 0.6]
"""


def problems(text: str) -> tuple[str, ...]:
    with pytest.raises(PlanError, match=r"plan\.toml:\d+: ") as refused:
        plan_of_text(text)
    return refused.value.problems


def test_at_least_forty_made_bad_plans_are_at_hand() -> None:
    assert len(CASES) >= 60


@pytest.mark.parametrize(("line", "words", "text"), CASES, ids=[case[1] for case in CASES])
def test_a_bad_plan_is_refused_with_its_line_and_what_would_be_right(
    line: str, words: str, text: str, tmp_path: Path
) -> None:
    file = tmp_path / "plan.toml"
    file.write_text(text, encoding="utf-8")

    with pytest.raises(PlanError, match=re.escape(words)) as refused:
        load_plan(file)

    hits = [problem for problem in refused.value.problems if words in problem]
    assert [hit.split(": ")[0] for hit in hits] == [f"plan.toml:{line}"]
    assert all("\n" not in problem for problem in refused.value.problems)


def test_a_whole_plan_is_read_with_readings_as_a_person_writes_them() -> None:
    plan = plan_of_text(WHOLE)
    key = plan.light("key")

    assert key is not None
    assert (plan.camera.iso, plan.camera.f_number, plan.camera.shutter) == (100.0, 11.0, 1 / 160)
    assert (key.off_axis, key.distance, key.power, key.range) == (60.0, 1.8, -2.0, (-8.0, 0.0))
    assert key.meter == pytest.approx(8.876556, abs=1e-6)
    assert plan.lights[1].power == -3.0
    assert plan.looks[0].patches[0].name == "coat"


def test_each_material_that_a_plan_may_name_has_its_row() -> None:
    assert get_args(MaterialName) == tuple(MATERIALS)


def test_an_empty_plan_is_a_plan() -> None:
    assert plan_of_text("").patches == ()


def test_several_mistakes_are_told_at_once_in_the_order_of_the_file() -> None:
    found = problems(WHOLE.replace('"f/11"', "8.3").replace("zone = 6.5", "zone = 65"))

    assert [problem.split(": ")[0] for problem in found] == ["plan.toml:5", "plan.toml:27"]


def test_python_names_of_keys_are_not_keys_of_the_file() -> None:
    assert "no key `patches`" in problems("patches = []")[0]
    assert "no key `schema_version`" in problems("schema_version = 1")[0]


def test_lines_are_right_where_lines_end_as_on_windows() -> None:
    assert problems("[camera]\r\niso = 100\r\nshutter = 2\r\n")[0].startswith("plan.toml:3: ")


def test_a_mark_before_the_text_is_passed_over(tmp_path: Path) -> None:
    file = tmp_path / "plan.toml"
    file.write_bytes(b"\xef\xbb\xbf" + b"[camera]\niso = 200\n")

    assert load_plan(file).camera.iso == 200.0


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b'[camera]\niso = 100\ntitle = "\xe9"\n', r"plan\.toml:3: this isn't UTF-8"),
        ("[camera]\n".encode("utf-16"), r"plan\.toml:1: this isn't UTF-8"),
        (b"#" * (MOST_BYTES + 1), "a plan has 128 kB at most"),
        (b"a = " + b"[" * 5000, "too deep"),
        (b"[camera]\niso = " + b"1" * 5000, r"plan\.toml:2: a number has too many digits"),
    ],
    ids=["latin-1", "utf-16", "huge", "deep", "digits"],
)
def test_a_file_that_is_no_plan_is_refused(data: bytes, words: str, tmp_path: Path) -> None:
    file = tmp_path / "plan.toml"
    file.write_bytes(data)

    with pytest.raises(PlanError, match=words):
        load_plan(file)


def test_a_plan_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(PathMissing, match="can't be opened"):
        load_plan(tmp_path / "none.toml")
    with pytest.raises(PathMissing, match="is a folder"):
        load_plan(tmp_path)
    with pytest.raises(PathMissing, match="can't be opened"):
        load_plan("a\0b")


def test_a_plan_crosses_to_a_worker_process_whole() -> None:
    plan = plan_of_text(WHOLE)

    assert pickle.loads(pickle.dumps(plan)) == plan  # noqa: S301


def test_the_public_name_reads_a_plan(tmp_path: Path) -> None:
    file = tmp_path / "plan.toml"
    file.write_text(WHOLE, encoding="utf-8")

    assert stopwise.load_plan(file).title == "Fencer, hard light"

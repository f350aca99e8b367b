"""One frame in five places: headline, slip, CSV, `check`'s text and JSON agree on every number.

The records are the kept ones of the sample frames (`tests/golden`), so nothing is decoded here.
"""

from __future__ import annotations

import csv
import io
import re
from functools import cache
from typing import TYPE_CHECKING, Any

import pytest

from golden import kept
from stopwise.ledger.export import csv_lines
from stopwise.messages import do, say, tightest, told, turn_sentence
from stopwise.plan import load_plan
from stopwise.record import record_from_json
from stopwise.report.lamp_words import told_at_lamps
from stopwise.report.slip import compose
from stopwise.report.text import frame_text
from stopwise.wording import left_text, signed, tenths
from support.checked import ALL, PLAN
from support.made_picture import drawable, made_picture

if TYPE_CHECKING:
    from collections.abc import Iterator

    from stopwise.record import Record
    from stopwise.report.sheet import Sheet

NUMBER = re.compile(r"(?<![\w.])[-+]?\d+(?:\.\d+)?")


@cache
def record_of(name: str) -> Record:
    """Return one sample frame's kept record."""
    row = kept.read("frames")[name]
    found = row["findings"]
    return record_from_json(
        {**row, "findings": [found[each] for each in found["order"]] if found else []}
    )


@cache
def row_of(name: str) -> dict[str, Any]:
    """Return it as `check --json` prints it."""
    return record_of(name).to_json()


@cache
def slip_of(name: str) -> Sheet:
    """Return its slip, of a small made picture."""
    return compose(record_of(name), drawable(made_picture(60, 40)))


def numbers(words: str) -> list[str]:
    """Return the numbers that a sentence says, as it says them."""
    return NUMBER.findall(words)


def figures(node: Any) -> Iterator[float]:
    """Yield every figure of a finding's JSON."""
    if isinstance(node, dict):
        for part in node.values():
            yield from figures(part)
    elif isinstance(node, list):
        for part in node:
            yield from figures(part)
    elif isinstance(node, int | float) and not isinstance(node, bool):
        yield float(node)


def is_said(number: str, known: list[float]) -> bool:
    """Tell whether a number is one of the figures, rounded to the digits that it has."""
    digits = len(number.partition(".")[2])
    near = 0.5 * 10.0**-digits + 1e-9
    value = abs(float(number))
    return any(
        abs(abs(figure) * scale - value) <= near
        for figure in known
        for scale in (1.0, 100.0)  # a share is said in per cent
    ) or any(figure and abs(1.0 / abs(figure) - value) <= 0.06 * value for figure in known)


@pytest.mark.parametrize("name", ALL)
def test_every_number_of_a_sentence_is_a_figure_of_its_finding(name: str) -> None:
    record = record_of(name)
    for one, row in zip(record.findings, row_of(name)["findings"], strict=True):
        advice = do(one, record.answer.turn_for(one))
        assert (row["say"], row["do"]) == (say(one), advice)
        known = [*figures({key: part for key, part in row.items() if key not in ("say", "do")})]
        if one.difference is not None:
            known.append(one.difference)
        if one.turn is not None and one.turn.shown is not None:
            known += map(float, numbers(one.turn.shown))
        unknown = [each for each in numbers(f"{say(one)} {advice}") if not is_said(each, known)]
        assert not unknown, (say(one), advice, known)
    for turn, row in zip(record.turns, row_of(name)["turns"], strict=True):
        assert all(is_said(each, [*figures(row)]) for each in numbers(turn_sentence(turn)))


@pytest.mark.parametrize("name", ALL)
def test_the_headline_says_the_numbers_of_what_is_worst_or_tightest(name: str) -> None:
    record = record_of(name)
    said = {*numbers(" ".join(record.headline))}
    if record.verdict == "off plan":
        worst = record.findings[0]
        turn = record.answer.turn_for(worst)
        off = "" if turn is None else f"{tenths(abs(turn.needed))} {turn_sentence(turn)}"
        words = f"{say(worst)} {do(worst, turn)} {off}"
        assert said <= {*numbers(words)} | {*settings(worst)}
    elif record.verdict == "on plan" and record.headline[0] == "On plan.":
        tight = tightest(record.findings)
        assert tight is not None
        assert said <= {left_text(tight[0]).removeprefix("under ")}
    else:  # one of the plan's own frames, or the sitter moved: each number is one of the record
        known = [*figures(row_of(name))]
        assert all(is_said(number, known) for number in said), record.headline


def settings(finding: Any) -> Iterator[str]:
    """Yield the numbers by which a knocked setting is said."""
    knocked = finding.detail.knocked
    if knocked is not None:
        yield from (f"{1 / knocked.found:.0f}", f"{1 / knocked.planned:.0f}", "1")


@pytest.mark.parametrize("name", ALL)
def test_text_slip_and_csv_show_one_zone_and_one_distance_for_each_patch(name: str) -> None:
    record, sheet = record_of(name), slip_of(name)
    row = next(csv.DictReader(io.StringIO("".join(csv_lines(lambda: [row_of(name)])), newline="")))
    lines = frame_text(record).plain.splitlines()
    drawn = {text.get_gid(): text.get_text() for text in sheet.axes.texts if text.get_gid()}
    off = {one.of: one.difference for one in record.findings if one.check == "patch"}
    for patch, read in record.patches.items():
        zone = row_of(name)["patches"][patch]["zone"]
        assert row[f"patches.{patch}.zone"] == ("" if zone is None else str(zone))
        assert read.zone == zone
        if zone is None:
            continue
        [cells] = [line.split() for line in lines if line.startswith(f"  {patch}  ")]
        assert f"{zone:.2f}" in cells
        label = drawn[f"patch label:{patch}"]
        assert tenths(zone) in label
        distance = off.get(patch)
        expected = tenths(zone) if distance is None else signed(distance)
        assert drawn[f"figure:{patch}"] == expected
        assert label.split()[-1] == expected


@pytest.mark.parametrize("name", ALL)
def test_text_slip_and_csv_say_the_same_of_each_finding(name: str) -> None:
    record, sheet = record_of(name), slip_of(name)
    text = frame_text(record).plain
    listed = " ".join(one.get_text() for one in sheet.axes.texts if one.get_gid() == "finding")
    row = next(csv.DictReader(io.StringIO("".join(csv_lines(lambda: [row_of(name)])), newline="")))
    for place, (one, advice) in enumerate(told(record.answer)):
        assert say(one) in text
        assert advice in text
        assert row_of(name)["findings"][place]["state"] == one.state
    if record.findings:
        assert say(record.findings[0]) in listed
        assert next(told(record.answer))[1] in listed
        assert all(say(one)[:20] in row["findings"] for one in record.findings)
    headline = [one.get_text() for one in sheet.axes.texts if one.get_gid() == "headline"]
    assert tuple(headline) == record.headline
    assert all(line in text for line in record.headline)


@pytest.mark.parametrize("name", ALL)
def test_the_floor_and_the_record_turn_each_lamp_alike(name: str) -> None:
    told = told_at_lamps(load_plan(PLAN), record_of(name))
    for turn in row_of(name).get("turns") or ():
        lamp = told[turn["light"]]
        assert f"{abs(turn['stops']):.1f}" in lamp.words
        assert turn["shown"] is None or turn["shown"] in lamp.words or lamp.there == "feather"
    feathered = [name for name, lamp in told.items() if lamp.there == "feather"]
    hot = [one for one in record_of(name).findings if one.code == "hot_centre"]
    assert bool(feathered) is any(one.state == "fails" for one in hot)

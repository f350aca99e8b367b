"""One frame in seven places: headline, slip, page, set sheet, both CSVs, text and JSON agree.

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
from stopwise.handover import set_sheet as sheets
from stopwise.handover.contents import short_row
from stopwise.handover.document import Rows
from stopwise.handover.gathering import AdoptedFrame, ShootKept
from stopwise.ledger import Kept
from stopwise.ledger.export import csv_lines
from stopwise.messages import do, say, tightest, told, turn_sentence
from stopwise.page.views import FrameView, frame_view
from stopwise.plan import load_plan
from stopwise.record import record_from_json
from stopwise.report.lamp_words import told_at_lamps
from stopwise.report.slip import compose
from stopwise.report.terminal import frame_text
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


@cache
def page_of(name: str) -> FrameView:
    """Return what the page shows of it."""
    return frame_view(Kept(1, "", row_of(name), 0), load_plan(PLAN))


def sheet_of(name: str, patch: pytest.MonkeyPatch) -> dict[str, list[Rows]]:
    """Return the tables of a set sheet of this frame alone, by the section that they stand in."""
    patch.setattr(sheets, "floor_file", lambda *_: b"")  # a drawing, held by its own tests
    record = record_of(name)
    kept_alone = ShootKept(load_plan(PLAN), {}, (record,), adopted=(AdoptedFrame(record, None),))
    return {
        section.title: [part for part in section.parts if isinstance(part, Rows)]
        for section in sheets.set_sheet(kept_alone).sections
    }


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


@pytest.mark.parametrize("name", ALL)
def test_the_sheet_says_of_each_patch_what_slip_page_and_csv_say(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    record = record_of(name)
    tables = next(
        rows for title, rows in sheet_of(name, monkeypatch).items() if title.startswith("The pict")
    )
    said = {row[0]: row[1:] for rows in tables for row in rows.rows}
    assert set(said) == set(record.patches)
    short, long = short_row(row_of(name)), row_of(name)["patches"]
    on_page = {patch.name: patch for patch in page_of(name).patches}
    drawn = {text.get_gid(): text.get_text() for text in slip_of(name).axes.texts}
    for patch, (zone, headroom, state) in said.items():
        assert on_page[patch].sign.state == (state or None)
        if zone == "not seen":
            assert short[f"zone {patch}"] is None
            assert on_page[patch].figure == "not seen"
            continue
        assert zone == tenths(short[f"zone {patch}"]) == tenths(long[patch]["zone"])
        label = drawn[f"patch label:{patch}"].removeprefix(patch).split()
        assert label[0] == zone
        assert on_page[patch].figure.removeprefix("zone ") == label[-1]
        assert headroom == tenths(long[patch]["headroom"])


@pytest.mark.parametrize("name", ALL)
def test_the_sheet_says_of_each_lamp_what_page_and_csv_say(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    record = record_of(name)
    (rows,) = sheet_of(name, monkeypatch)["The light as built"]
    read = {row[0]: row[3] for row in rows.rows}
    lamps, points = record.lamps or {}, page_of(name).run.lamps
    judged = record.verdict in ("on plan", "off plan", "can't tell")
    for lamp, words in read.items():
        reading = lamps.get(lamp)
        seen = reading is not None and reading.fired_stops is not None and judged
        assert (words != "not read") is seen
        if reading is None:
            continue
        assert points[lamp].off == reading.stops == short_row(row_of(name))[f"stops {lamp}"]
        if seen and reading.setting is not None:
            told = f"{reading.setting:.1f} ± {reading.uncertainty:.2f}"
            assert words == f"{told}, in {record.file}"
        elif seen:
            told = f"{signed(reading.stops)} ± {reading.uncertainty:.2f}"
            assert words == f"{told} against its solo, in {record.file}"


@pytest.mark.parametrize("name", ALL)
def test_the_headline_of_the_sheet_is_that_of_slip_page_and_csv(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    record, view, short = record_of(name), page_of(name), short_row(row_of(name))
    headline = [one.get_text() for one in slip_of(name).axes.texts if one.get_gid() == "headline"]
    assert (view.say, view.do) == (short["what"], short["do"]) == tuple(headline)
    tables = sheet_of(name, monkeypatch).get("Frames off plan", [])
    assert [row for rows in tables for row in rows.rows] == (
        [(record.file, *headline)]
        if record.verdict in ("off plan", "can't tell", "unreadable")
        else []
    )


@pytest.mark.parametrize("name", ALL)
def test_every_number_of_a_sheet_is_one_of_the_record_or_the_plan(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """But for those of the headline, which other tests hold, and the frame's own name."""
    tables = sheet_of(name, monkeypatch)
    plan = [*figures(load_plan(PLAN).model_dump(mode="json"))]
    known = [*figures(row_of(name)), *plan]
    tables.pop("Frames off plan", None)
    cells = [cell for rows in tables.values() for one in rows for row in one.rows for cell in row]
    unknown = [each for cell in cells for each in numbers(cell) if not is_said(each, known)]
    assert unknown == []


@pytest.mark.parametrize("name", ALL)
def test_page_and_slip_give_the_same_figures_in_words(name: str) -> None:
    """Clipping, headroom, ratio, paper, lamps and levels stand in both as one list."""
    whole = " ".join(" ".join(one.get_text() for one in slip_of(name).axes.texts).split())
    for label, words in page_of(name).facts:
        if label in ("Clipped", "Headroom", "Ratio", "Levels", "Settings"):
            assert words in whole, (label, words)


@pytest.mark.parametrize("name", ALL)
def test_a_patch_has_one_state_on_picture_ruler_and_in_the_list(name: str) -> None:
    view, record = page_of(name), record_of(name)
    on_ruler = {one.name: one.sign.state for one in view.ruler.readings if one.name != "paper"}
    states = {patch.name: patch.sign.state for patch in view.patches}
    assert on_ruler == {patch: states[patch] for patch in on_ruler}
    for patch, state in states.items():
        of_it = [one.state for one in record.findings if one.detail.patches == (patch,)]
        assert state in (None, *of_it[:1])  # findings stand worst first
        if "fails" in of_it:
            assert state == "fails"

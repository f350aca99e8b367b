"""A new plan is written from options or answers, can be read back, and overwrites nothing."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stopwise.errors import PlanError, WrongUse
from stopwise.plan.interview import Interview
from stopwise.plan.loading import plan_of_text
from stopwise.plan.model import MATERIALS
from stopwise.plan.new import new_plan_text, write_new_plan
from stopwise.plan.spoken_tables import (
    box_of,
    lamp_of,
    plan_tables,
    ratio_of,
    separation_of,
    table_of,
)

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

FIVE_LAMPS: dict[str, Any] = {
    "title": "Fencer, hard light",
    "iso": "100",
    "f_number": "f/11",
    "shutter": "1/160",
    "sync_speed": "200",
    "light": [
        "key; modifier=snoot; meter=11; power=-2; off_axis=60 right; elevation=35; distance=1.8 m",
        "fill; modifier=strip; meter=5.6+0.3; power=1/16; off_axis=40 right; elevation=-5",
        "hair light; modifier=gridded dish; meter=11.3t; power=7.0 of 10; scale=figure",
        "left paper; modifier=reflector; meter=8; power=-3.5; off_axis=130 left",
        "right paper; modifier=reflector; meter=8; full_ws=500; power=62.5 Ws; off_axis=130",
    ],
    "panel": ["flag; off_axis=-70; distance=0.9"],
    "set": "lens_mm=85; paper=mid-grey; sitter_to_paper=2.2",
    "patch": [
        "lit cheek; box=.535,.44,.565,.49; material=skin; zone=6.3; lit_by=key,fill; follow=yes",
        "shadow cheek; box=.44,.44,.47,.49; material=skin; lit_by=fill",
        "white jacket; box=.5,.7,.6,.8; material=white cloth",
    ],
    "ratio": ["lit cheek to shadow cheek = 2"],
    "separation": ["lit cheek over backdrop = 2/3"],
    "backdrop": "boxes=.02,.1,.3,.6 | .7,.1,.98,.6; zone=4.5; left_right=0",
}


def test_a_plan_for_five_lamps_is_written_from_options() -> None:
    plan = plan_of_text(new_plan_text(plan_tables(FIVE_LAMPS)))

    roles = [light.role for light in plan.lights]
    assert roles == ["key", "fill", "hair", "background", "background"]
    assert [light.power for light in plan.lights] == [-2.0, -4.0, -3.0, -3.5, -3.0]
    assert plan.patches[0].lit_by == ("key", "fill")
    assert plan.patches[0].follow
    assert plan.ratios[0].stops == 2.0
    assert plan.separations[0].at_least == pytest.approx(2 / 3, abs=1e-4)
    assert plan.backdrop is not None
    assert len(plan.backdrop.boxes) == 2
    assert plan.set_.paper == "mid-grey"
    assert plan.panels[0].kind == "flag"


def test_the_written_plan_says_what_each_key_is_and_what_materials_bring() -> None:
    text = new_plan_text(plan_tables(FIVE_LAMPS))

    assert "# meter reading of this lamp alone" in text
    assert "# brings zone 7, over 0.15, under 0.4, headroom 0.3, may_clip 0.001" in text
    for place in ("# gel = ", "# grid = ", "# pack = ", "# stand = ", "# balance = "):
        assert place in text


def test_an_empty_plan_shows_every_table_as_a_comment() -> None:
    text = new_plan_text({})

    assert plan_of_text(text).lights == ()
    for header in ("[camera]", "[[light]]", "[[panel]]", "[set]", "[[patch]]", "[[ratio]]"):
        assert f"# {header}" in text


def test_what_stands_as_a_comment_is_right_once_the_sign_is_taken_away() -> None:
    lines = new_plan_text({}).splitlines()
    keys = [line.removeprefix("# ") if " = " in line else line for line in lines]
    headers = [line.removeprefix("# ") if line.startswith("# [") else line for line in keys]
    text = "\n".join(line for line in headers if "`" not in line and "[[look" not in line)

    text = text.replace("shadow cheek", "lit cheek 2")
    text += '\n[[patch]]\nname = "lit cheek 2"\nbox = [0, 0, 1, 1]\n'
    text += '[[patch]]\nname = "hair"\nbox = [0, 0, 1, 1]\n[[light]]\nname = "fill"\n'
    assert plan_of_text(text).lights[0].modifier == "snoot"


@pytest.mark.parametrize("material", MATERIALS)
def test_a_zone_is_never_made_up(material: str) -> None:
    tables = {"patch": [{"name": "a", "box": [0, 0, 1, 1], "material": material}]}

    assert plan_of_text(new_plan_text(tables)).patches[0].zone is None


def test_a_wrong_option_is_refused_as_in_the_file_and_nothing_is_written(tmp_path: Path) -> None:
    said = FIVE_LAMPS | {"f_number": "8.3", "light": ["key; meter=9.3t; colour=red"]}

    with pytest.raises(PlanError, match=r"f/8 and 3 tenths, or f/8\.3") as refused:
        write_new_plan(tmp_path / "plan.toml", plan_tables(said))

    told = refused.value.problems
    assert any("has no key `colour`. Did you mean `gel`?" in line for line in told)
    assert all(line.endswith("Nothing was written.") for line in told)
    assert list(tmp_path.iterdir()) == []


def test_a_plan_that_is_there_is_not_overwritten(tmp_path: Path) -> None:
    file = write_new_plan(tmp_path / "plan.toml", {"title": "mine"})

    with pytest.raises(WrongUse, match="is there already and is not overwritten"):
        write_new_plan(file, {"title": "other"})
    with pytest.raises(WrongUse, match="can't be written"):
        write_new_plan(tmp_path / "none" / "plan.toml", {})

    assert 'title = "mine"' in file.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: table_of("key; meter", what="lamp"), "has no equals sign"),
        (lambda: table_of("key; meter=1; meter=2", what="lamp"), "stands twice"),
        (lambda: ratio_of("lit cheek / shadow = 2"), "is not a ratio"),
        (lambda: ratio_of("a to b = bright"), "is not a number of stops"),
        (lambda: separation_of("hair under paper = 1"), "is not a separation"),
        (lambda: box_of("1,2,3"), "is not a box"),
        (lambda: box_of(".6,.1,.5,.2"), "inside out"),
    ],
)
def test_a_table_that_is_written_wrongly_is_refused(call: Any, words: str) -> None:
    with pytest.raises(WrongUse, match=words):
        call()


def test_a_role_is_taken_from_the_name_unless_it_is_said() -> None:
    assert lamp_of("hair light")["role"] == "hair"
    assert lamp_of("left paper")["role"] == "background"
    assert "role" not in lamp_of("window")
    assert lamp_of("key; role=rim")["role"] == "rim"


SAID = st.text("abk;=,.|0123456789 /-'\"#[]é\n\\", max_size=30)


@given(
    st.fixed_dictionaries(
        {"light": st.lists(SAID, max_size=2), "patch": st.lists(SAID, max_size=2)},
        optional={"title": SAID, "iso": SAID, "backdrop": SAID, "set": SAID},
    )
)
def test_any_options_give_a_plan_or_sentences(said: dict[str, Any]) -> None:
    try:
        plan = plan_of_text(new_plan_text(plan_tables(said)))
    except (PlanError, WrongUse) as refused:
        told = str(refused)
    else:
        told = f"{len(plan.lights)} lamps."

    assert told.endswith((".", "?"))


ANSWERS = {
    "Title": "Fencer",
    "ISO": "100",
    "f-number": "f/11",
    "Shutter": "160",
    "Shortest time": "1/200",
    "Key": "snoot",
    "Fill": "strip",
    "Background, left": "reflector",
    "Power": "-2",
    "Degrees round": "60 right",
    "Degrees up": "35",
    "Distance": "180 cm",
    "Meter": ["8.3", "8.3t", "5.6", "8"],
    "Patch": ["lit cheek", "shadow cheek", ""],
    "Box": [".5,.4,.6", ".5,.4,.6,.5", ".4,.4,.5,.5"],
    "Material": ["skn", "skin", "skin"],
    "Zone": ["65", "6.3", "", "4.5"],
    "Lit by": ["kee", "key, fill", "fill"],
    "Ratio": ["lit cheek to shadow cheek = 2", ""],
    "Separation": ["lit cheek over backdrop = 1", ""],
    "Backdrop": ["0,0,.3", "0,0,.3,.6 | .7,0,1,.6"],
    "Left minus right": "0",
}


def test_the_questions_come_in_trade_order_until_each_answer_can_be_read() -> None:
    given: dict[str, Iterator[str]] = {
        words: iter(answer) if isinstance(answer, list) else itertools.repeat(answer)
        for words, answer in ANSWERS.items()
    }
    asked: list[str] = []
    said: list[str] = []

    def ask(question: str) -> str:
        asked.append(question.strip())
        found = [words for words in given if question.strip().startswith(words)]
        return next(given[found[0]]) if found else ""

    plan = plan_of_text(new_plan_text(Interview(ask, said.append).plan()))

    order = ["ISO", "Key", "Fill", "Hair", "Rim", "Background", "Patch", "Ratio", "Backdrop"]
    places = [next(i for i, text in enumerate(asked) if text.startswith(word)) for word in order]
    assert places == sorted(places)
    assert [light.name for light in plan.lights] == ["key", "fill", "left paper"]
    assert plan.lights[0].meter == pytest.approx(8.8766, abs=1e-4)
    assert [patch.zone for patch in plan.patches] == [6.3, None]
    assert any("f/8 and 3 tenths" in line for line in said)
    assert any('Did you mean "skin"' in line for line in said)


def test_a_table_that_the_plan_cannot_take_is_asked_for_again_and_no_answer_is_lost() -> None:
    blank = ("", "", "")
    lines = (
        ("Fencer", "100", "f/11", "1/160", "1/200"),
        ("snoot", "11", "-9", *blank, "snoot", "11", "-2", *blank),
        ("", *blank, ""),  # no other lamp
        ("lit, cheek", ".5,.4,.6,.5", *blank, "lit cheek", ".5,.4,.6,.5", *blank),
        ("lit cheek", ".1,.1,.2,.2", *blank, "shadow", ".1,.1,.2,.2", *blank, ""),
        ("lit cheek to nowhere = 2", "lit cheek to shadow = 2", ""),
        ("", ""),
    )
    answers = itertools.chain.from_iterable(lines)
    said: list[str] = []

    tables = Interview(lambda _: next(answers), said.append).plan()

    told = "\n".join(said)
    assert "outside its range -8 to 0" in told
    assert "A name has no comma" in told
    assert 'There is a patch "lit cheek" already' in told
    assert 'The plan has no patch "nowhere"' in told
    assert [light["power"] for light in tables["light"]] == [-2]
    assert [patch["name"] for patch in tables["patch"]] == ["lit cheek", "shadow"]
    assert tables["ratio"] == [{"lit": "lit cheek", "shadow": "shadow", "stops": 2.0}]


def test_an_interview_of_silence_gives_an_empty_plan() -> None:
    assert Interview(lambda _: "", lambda _: None).plan() == {}


def test_an_interview_gives_up_after_many_wrong_answers() -> None:
    with pytest.raises(WrongUse, match="enough of wrong answers"):
        Interview(lambda _: "nonsense", lambda _: None).plan()

"""A new plan is written from options or answers, can be read back, and overwrites nothing."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stopwise.cli import run
from stopwise.errors import PlanError, WrongUse
from stopwise.plan.kinds import MATERIALS
from stopwise.plan.loading import plan_of_text
from stopwise.plan.new import Interview, new_plan_text, write_new_plan
from stopwise.plan.spoken_tables import box_of, plan_tables, scale_at_full, table_of

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
    file = write_new_plan(tmp_path / "plan.toml", {"": [{"title": "mine"}]})

    with pytest.raises(WrongUse, match="is there already and is not overwritten"):
        write_new_plan(file, {"": [{"title": "other"}]})
    with pytest.raises(WrongUse, match="can't be written"):
        write_new_plan(tmp_path / "none" / "plan.toml", {})

    assert 'title = "mine"' in file.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: table_of("light", "key; meter"), "has no equals sign"),
        (lambda: table_of("light", "key; meter=1; meter=2"), "stands twice"),
        (lambda: table_of("ratio", "lit cheek / shadow = 2"), "is not a ratio"),
        (lambda: table_of("separation", "hair under paper = 1"), "is not a separation"),
        (lambda: scale_at_full("bright"), "is no full power"),
        (lambda: box_of("1,2,3"), "is not a box"),
        (lambda: box_of(".6,.1,.5,.2"), "inside out"),
    ],
)
def test_a_table_that_is_written_wrongly_is_refused(call: Any, words: str) -> None:
    with pytest.raises(WrongUse, match=words):
        call()


def test_a_role_is_taken_from_the_name_unless_it_is_said() -> None:
    assert table_of("light", "hair light")["role"] == "hair"
    assert table_of("light", "left paper")["role"] == "background"
    assert "role" not in table_of("light", "window")
    assert table_of("light", "key; role=rim")["role"] == "rim"


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
    "Lamp": ["key", "fill", "paper", "low", ""],
    "Modifier": ["snoot", "", "reflector", "strip"],
    "What it is for": ["kikker", "kicker"],
    "Stand": ["boom", "", "", ""],
    "Pack": ["pack A", "", "", ""],
    "What its pack": ["ten", "10", "", "500 Ws", "1/1"],
    "Step": ["1/3", "", "", "0.1"],
    "Power": ["7.2", "6.0", "125", "0/1", "1/4"],
    "Degrees round": "60 right",
    "Degrees up": "35",
    "Distance": "180 cm",
    "Meter": ["8.3", "8.3t", "5.6", "8", "4"],
    "Patch": ["lit cheek", "shadow cheek", ""],
    "Box": [".5,.4,.6", ".5,.4,.6,.5", ".4,.4,.5,.5"],
    "Material": ["skn", "skin", "skin"],
    "Zone": ["65", "6.3", "", "4.5"],
    "Lit by": ["kee", "key, fill", "fill"],
    "Ratio": ["lit cheek to shadow cheek = 2", ""],
    "Separation": ["lit cheek over backdrop = bright", "lit cheek over backdrop = 1", ""],
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

    order = ["ISO", "Lamp", "Modifier", "Power", "Patch", "Ratio", "Backdrop"]
    places = [next(i for i, text in enumerate(asked) if text.startswith(word)) for word in order]
    assert places == sorted(places)
    lamps = [(lamp.name, lamp.role, lamp.modifier, lamp.power) for lamp in plan.lights]
    assert lamps == [
        ("key", "key", "snoot", pytest.approx(-2.8)),
        ("fill", "fill", None, pytest.approx(-4.0)),
        ("paper", "background", "reflector", pytest.approx(-2.0)),
        ("low", "kicker", "strip", -2.0),
    ]
    assert [lamp.step for lamp in plan.lights] == [
        pytest.approx(x) for x in (1 / 3, 1 / 3, 1 / 3, 0.1)
    ]
    assert (plan.lights[0].stand, plan.lights[0].pack) == ("boom", "pack A")
    assert plan.lights[0].meter == pytest.approx(8.8766, abs=1e-4)
    assert [patch.zone for patch in plan.patches] == [6.3, None]
    assert any("f/8 and 3 tenths" in line for line in said)
    assert any('Did you mean "skin"' in line for line in said)
    assert any('Did you mean "kicker"' in line for line in said)
    assert any("is not a number of stops" in line for line in said)
    assert any('"0/1" is not a power' in line for line in said)


def test_what_was_typed_of_a_power_stands_in_the_plan() -> None:
    answers = iter(["", "", "", "", "", "key", "", "", "", "8", "0.1", "7.2", *[""] * 8])
    text = new_plan_text(Interview(lambda _: next(answers, ""), lambda _: None).plan())

    assert 'power = "7.2 of 8"' in text
    lamp = plan_of_text(text).lights[0]
    assert (lamp.power, lamp.power_shown(lamp.power or 0.0)) == (pytest.approx(-0.8), "7.2 of 8")


@pytest.mark.parametrize(
    ("said", "scale"),
    [
        ("power=1/4", "fraction"),
        ("power=7.2 of 10", "figure"),
        ("full_ws=500; power=125 Ws", "Ws"),
        ("power=-2", "stops"),
        ("power=1/4; scale=stops", "stops"),
    ],
)
def test_a_pack_shows_its_power_as_it_was_typed(said: str, scale: str) -> None:
    lamp = plan_of_text(new_plan_text(plan_tables({"light": [f"key; {said}"]}))).lights[0]
    assert lamp.scale == scale


def test_a_wrong_answer_costs_only_itself() -> None:
    """Each answer is held against the plan when it is given, and no other one is asked again."""
    lines = (
        ("Fencer", "100", "f/11", "1/160", "1/200"),
        ("all", "key white card", "key", "snoot", "", "", "0", "", "-9", "-2", "", "", "", ""),
        ("",),  # no other lamp
        ("lit, cheek", "lit cheek", ".5,.4,.6,.5", "", "", "kee", "key"),
        ("lit cheek", "shadow", ".1,.1,.2,.2", "", "", "", ""),
        ("lit cheek to nowhere = 2", "lit cheek to shadow = 2", ""),
        ("", ""),
    )
    answers = itertools.chain.from_iterable(lines)
    said: list[str] = []

    tables = Interview(lambda _: next(answers), said.append).plan()

    told = "\n".join(said)
    assert "outside its range -8 to 0" in told
    assert 'can\'t be called "all": that word has a meaning of its own' in told
    assert 'can\'t be called "key white card"' in told
    assert "A name has no comma" in told
    assert 'no lamp "kee". Did you mean "key"' in told
    assert 'There is a patch "lit cheek" already' in told
    assert 'The plan has no patch "nowhere"' in told
    assert [light["power"] for light in tables["light"]] == [-2]
    assert [patch["name"] for patch in tables["patch"]] == ["lit cheek", "shadow"]
    assert tables["ratio"] == [{"lit": "lit cheek", "shadow": "shadow", "stops": 2}]


def test_a_box_may_be_left_to_be_drawn_on_the_first_frame() -> None:
    patches = (("lit cheek", "", "skin", "6.3"), ("shadow", ".1,.1,.2,.2", "skin", ""))
    ratio = ("lit cheek to shadow = 2", "")
    answers = iter([*[""] * 6, *itertools.chain.from_iterable(patches), "", *ratio, "", ""])
    said: list[str] = []
    text = new_plan_text(Interview(lambda _: next(answers), said.append).plan())

    assert "Still to be drawn on the first frame: lit cheek." in "\n".join(said)
    plan = plan_of_text(text)
    assert [patch.name for patch in plan.patches] == ["shadow"]
    assert plan.ratios == ()
    assert '# [[patch]]\n# name = "lit cheek"' in text
    assert '# lit = "lit cheek"' in text


def test_once_the_box_is_drawn_what_was_said_of_its_patch_holds(tmp_path: Path) -> None:
    said = {
        "light": ["key", "fill"],
        "patch": ["cheek; material=skin; zone=6 1/3; lit_by=key", "shade; material=skin", "hair"],
        "ratio": ["cheek to shade = 2"],
        "separation": ["hair over cheek = 0.7"],
    }
    file = write_new_plan(tmp_path / "plan.toml", plan_tables(said))
    assert plan_of_text(file.read_text(encoding="utf-8")).patches == ()
    for name in ("cheek", "shade"):
        assert run(["plan", "patch", name, "--plan", str(file), "--box", ".1,.1,.2,.2"]) == 0

    text = file.read_text(encoding="utf-8")
    plan = plan_of_text(text)
    cheek = plan.patch("cheek")
    assert cheek is not None
    assert (cheek.material, cheek.lit_by) == ("skin", ("key",))
    assert cheek.zone == pytest.approx(6.333, abs=1e-3)
    assert [(one.lit, one.shadow, one.stops) for one in plan.ratios] == [("cheek", "shade", 2.0)]
    assert plan.separations == ()
    assert text.count("# waits for a box") == 2  # hair, and what names it
    assert "# one for each lamp" in text


def test_an_interview_that_is_broken_off_keeps_its_answers() -> None:
    answers = iter(["Fencer", "100", "", "", "", "key", "snoot", "boom"])
    interview = Interview(lambda _: next(answers), lambda _: None)
    with pytest.raises(StopIteration):
        interview.plan()

    plan = plan_of_text(new_plan_text(interview.tables))
    assert (plan.title, plan.camera.iso) == ("Fencer", 100.0)
    assert [(lamp.name, lamp.role, lamp.stand) for lamp in plan.lights] == [("key", "key", "boom")]


def test_an_interview_of_silence_gives_an_empty_plan() -> None:
    assert Interview(lambda _: "", lambda _: None).plan() == {}


def test_an_interview_gives_up_after_many_wrong_answers() -> None:
    with pytest.raises(WrongUse, match="enough of wrong answers"):
        Interview(lambda _: "nonsense", lambda _: None).plan()

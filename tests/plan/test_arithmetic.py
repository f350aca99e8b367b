"""What `stopwise stops` answers, against worked figures with their sources beside them."""

from __future__ import annotations

import math
import re

import pytest
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st

from stopwise.cli.stops_command import stops as stops_command
from stopwise.errors import WrongUse
from stopwise.plan import arithmetic


def run(*arguments: str) -> Result:
    return CliRunner().invoke(stops_command, list(arguments), catch_exceptions=False)


# One worked figure of each command. add: f/8 and f/8 make f/11 (linearity of light). between: 3 m
# against 1 m is 3.17 stops (inverse square, CIE). ratio: one stop is 2:1 or 3:1 (handbooks print
# both). power: 1/4 is two stops down. guide: 36 m at a quarter and 3 m is f/6 (ISO 1230). ev: the
# table of ANSI PH3.49 puts f/8 at 1/125 on EV 13. zone: Zone VI is 36 % (Adams, The Negative).
WORKED = [
    (("add", "8", "8"), "f/8 + f/8 = f/11"),
    (("add", "5.6", "5.6"), "= f/8 (8.00)"),
    (("add", "11", "--without", "8"), "= f/8 (8.00)"),
    (("between", "1m", "3m"), "-3.17 stops (distances)"),
    (("between", "8", "11"), "+1.00 stop (readings)"),
    (("between", "100Ws", "400Ws"), "+2.00 stops (powers)"),
    (("between", "400 Ws", "600 Ws"), "+0.58 stop (powers)"),
    (("between", "1/4", "full"), "+2.00 stops (powers)"),
    (("between", "ISO 100", "ISO 800"), "+3.00 stops (ISOs)"),
    (("between", "1/60s", "1/125s"), "-1.00 stop (times)"),
    (("between", "1/60", "1/125", "--of", "times"), "-1.00 stop (times)"),
    (("between", "1/125", "1/60"), "+1.00 stop (times)"),
    (("between", "1/4", "1/16"), "-2.00 stops (powers)"),
    (("between", "1/4+0.3", "1/8"), "-1.30 stops (powers)"),
    (("ratio", "1"), "2.00:1 as key to fill"),
    (("ratio", "1"), "3.00:1 as key + fill to fill"),
    (("ratio", "f/11", "f/8"), "2.00:1 as key to fill"),
    (("ratio", "3:1"), "+1.58 stops of key over fill, each metered alone"),
    (("ratio", "3:1"), "+1.00 stop of key over fill, if it means key + fill"),
    (("distance", "1m", "4m"), "-4.00 stops"),
    (("distance", "1m", "--stops", "-2"), "1 m to 2 m"),
    (("distance", "1m", "2m", "--meter", "16"), "f/16 becomes f/8 (8.00)"),
    (("power", "1/4"), "-2.0, 1/4, 8.0 of 10"),
    (("power", "-2.7", "--full-ws", "500"), "-2.7, 1/8+0.3, 7.3 of 10, 76.9 Ws"),
    (("power", "full", "--turn", "-1"), "-1.0, 1/2, 9.0 of 10"),
    (("guide", "36", "3m", "--power", "1/4"), "(6.00)"),
    (("guide", "58", "4m", "--iso", "400", "--power", "1/16"), "(7.25)"),
    (("guide", "40", "--f-number", "8", "--iso", "200", "--power", "1/2"), "f/8: 5 m"),
    (("guide", "80ft", "10ft"), "f/8 (8.00)"),
    (("ev", "8", "1/125"), "EV 13.00"),
    (("ev", "5.6", "1/60"), "EV 11.00"),
    (("ev", "f/8", "1/125"), "20,500 lux"),
    (("zone", "VI"), "36 % reflectance"),
    (("zone", "36%"), "Zone 6.00"),
    (("zone", "9"), "above the clip line, Zone 7.97"),
]


@pytest.mark.parametrize(("arguments", "words"), WORKED, ids=[" ".join(row[0]) for row in WORKED])
def test_a_worked_figure_is_answered(arguments: tuple[str, ...], words: str) -> None:
    result = run(*arguments)

    assert result.exit_code == 0
    assert words in result.output


@pytest.mark.parametrize("arguments", [row[0] for row in WORKED], ids=[row[1] for row in WORKED])
def test_every_answer_shows_its_formula_on_request(arguments: tuple[str, ...]) -> None:
    short, long = run(*arguments).output, run(*arguments, "--why").output

    assert long.startswith(short)
    assert re.search(r"because .*[0-9]", long.removeprefix(short))


def test_the_formula_says_which_mark_stands_for_another_figure() -> None:
    assert "f/11 stands for 11.314" in arithmetic.add(["11", "8"]).why


def test_literal_marks_would_give_another_ratio() -> None:
    # f/11 to f/4 is 8:1 exactly; taking the engraved figures at their word gives 7.5625:1.
    answer = arithmetic.ratio("f/11", "f/4")

    assert 2**answer.value == pytest.approx(8.0, abs=1e-9)


WRONG = [
    (lambda: arithmetic.add(["8"], without=["8"]), "has no answer"),
    (lambda: arithmetic.add(["8.3"]), "can mean f/8 and 3 tenths"),
    (lambda: arithmetic.between("1m", "far"), "is not a length"),
    (lambda: arithmetic.power("1/4", turn="1/3"), 'doesn\'t say which way. Write "\\+1/3" or'),
    (lambda: arithmetic.distance("1m", change="1"), "doesn't say which way"),
    (lambda: arithmetic.power("0/1"), "is not a power"),
    (lambda: arithmetic.ratio("3:0"), "has no answer"),
    (lambda: arithmetic.ratio("1.2.3:1"), "isn't a number"),
    (lambda: arithmetic.ratio("0:1"), "above 0"),
    (lambda: arithmetic.distance("1m"), "one of the two"),
    (lambda: arithmetic.distance("1m", "2m", change="1"), "one of the two"),
    (lambda: arithmetic.power("1/4", turn="+3"), "above full power"),
    (lambda: arithmetic.guide("bright", "3m"), "is not a guide number"),
    (lambda: arithmetic.guide("36"), "one of the two"),
    (lambda: arithmetic.zone("0.5"), "can mean Zone 0.5 or 50 %"),
    (lambda: arithmetic.zone("grey"), "neither a zone nor a reflectance"),
    (lambda: arithmetic.zone("0%"), "has no answer"),
]


@pytest.mark.parametrize(("call", "words"), WRONG)
def test_a_wrong_question_is_refused_in_words(call, words: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(WrongUse, match=words):
        call()


def test_a_bare_number_beside_a_length_is_a_length() -> None:
    assert arithmetic.between("1m", "2").value == pytest.approx(-2.0)


SAID = st.text("0123456789./+-:% fmWIVXs'", max_size=6)


@given(first=SAID, second=SAID)
def test_whatever_is_asked_gives_an_answer_or_one_sentence(first: str, second: str) -> None:
    questions = [
        lambda: arithmetic.add([first, second]),
        lambda: arithmetic.between(first, second),
        lambda: arithmetic.ratio(first),
        lambda: arithmetic.ratio(first, second),
        lambda: arithmetic.distance(first, second),
        lambda: arithmetic.power(first, turn=second),
        lambda: arithmetic.guide(first, second),
        lambda: arithmetic.ev(first, second),
        lambda: arithmetic.zone(first),
    ]
    for question in questions:
        try:
            value = question().value
        except WrongUse as wrong:
            value = float(len(str(wrong)))
        assert math.isfinite(value)


@given(st.permutations(["8", "5.6+0.3", "11", "4", "f/16"]))
def test_lamps_add_in_any_order(order: list[str]) -> None:
    once = arithmetic.add(["8", "5.6+0.3", "11", "4", "f/16"]).value

    assert arithmetic.add(order).value == pytest.approx(once, rel=1e-12)


@given(level=st.integers(-90, 0))
def test_a_power_is_read_back_from_each_way_it_is_said(level: int) -> None:
    shown = arithmetic.power(str(level / 10), full_ws=500).say.split(" is ")[1].split(", ")

    back = [arithmetic.power(said, full_ws=500).value for said in shown]
    assert back == pytest.approx([level / 10] * len(back), abs=0.01)

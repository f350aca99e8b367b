"""Write a new plan: its questions in trade order, what is known as keys, the rest as comments."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import tomlkit

from stopwise.errors import PlanError, WrongUse, refusal
from stopwise.plan.draft import WAITS, plain_value
from stopwise.plan.keys import PLAN
from stopwise.plan.kinds import MATERIALS
from stopwise.plan.loading import checked, text_of
from stopwise.plan.readings import as_the_dial_reads
from stopwise.plan.spoken_tables import Keys, role_of, scale_at_full, table_of, value_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

    from stopwise.plan.keys import PlanKey
    from stopwise.plan.loading import Fault
    from stopwise.plan.spoken_tables import Tables

_COLUMN = 34  # where the remarks of a new plan begin, characters
_BY_PROGRAM = ("frames", "look", "mid_grey", "mid_grey_model", "mid_grey_iso", "clip")
"""Tables and keys that a frame writes, and so no example."""

_ANYWHERE = [0, 0, 1, 1]
"""Stands for a box that is still to be drawn while all else of its patch is checked."""

_HEAD = '# Readings may be numbers or text as spoken: 11, "f/11", "8+0.3", "1/160".'
_FOOT = """
# [frames] is written by `stopwise mark` and `stopwise expect`.
# [[look]] with its own [[look.patch]] is for other clothes under the same lamps.
"""


def new_plan_text(tables: Tables) -> str:
    """Return the text of a plan file that holds `tables`.

    Parameters
    ----------
    tables
        Keys and values as TOML holds them. Tables that are left out stand as comments, and so do
        patches without a box, with what is said of them, until it is drawn.

    Raises
    ------
    PlanError
        If they make no right plan.
    """
    if faults := faults_of(tables):
        raise PlanError(*dict.fromkeys(fault.say for fault in faults))
    return _text(tables)


def faults_of(tables: Tables) -> list[Fault]:
    """Return what is wrong with a plan of `tables`; a box may still be missing."""
    boxed: list[Keys] = [{"box": _ANYWHERE, **patch} for patch in tables.get("patch", ())]
    return checked(text_of(_text({**tables, "patch": boxed}), "plan.toml"))[1]


def _text(tables: Tables) -> str:
    waiting = {patch.get("name") for patch in tables.get("patch", ()) if "box" not in patch}
    lines = ["schema = 1", *(line for top in tables.get("", ()) for line in _pairs(top, {})), _HEAD]
    for kind, table in PLAN.keys.items():
        if not table.keys or kind in _BY_PROGRAM:
            continue
        lines += ["", f"# {table.about}"]
        if not tables.get(kind):
            lines += [f"# {table.header}", *_examples(table, ())]
        for number, values in enumerate(tables.get(kind, ())):
            block = [table.header, *_pairs(values, {} if number else table.keys)]
            named = [values.get(key) for key in ("name", "lit", "shadow", "lighter", "darker")]
            if kind in ("patch", "ratio", "separation") and not waiting.isdisjoint(named):
                block = [WAITS, *(f"# {line}" for line in block)]
            elif not number:
                block += _examples(table, values)
            lines += [*[""][: bool(number)], *block]
    return "\n".join(lines) + "\n" + _FOOT


def refuse_old(file: Path) -> None:
    """Refuse a name that is taken, before anyone has answered a question for it.

    Raises
    ------
    WrongUse
        If the file is there already, or its folder isn't.
    """
    if file.exists() or file.is_symlink():
        msg = f"{file} is there already and is not overwritten. Name another file."
        raise WrongUse(msg)
    if not file.resolve().parent.is_dir():
        msg = f"{file} can't be written: its folder isn't there. Make it first."
        raise WrongUse(msg)


def write_new_plan(path: str | Path, tables: Tables) -> Path:
    """Write a new plan file, and never over another.

    Raises
    ------
    PlanError
        If the tables make no right plan.
    WrongUse
        If the file is there already, or can't be written.
    """
    file = Path(path)
    try:
        text = new_plan_text(tables)
    except PlanError as wrong:
        raise PlanError(*(f"{one} Nothing was written." for one in wrong.problems)) from None
    try:
        with file.open("x", encoding="utf-8", newline="\n") as opened:
            opened.write(text)
    except FileExistsError:
        refuse_old(file)
        raise
    except (OSError, ValueError) as error:
        msg = f"{file} can't be written: {refusal(error)}."
        raise WrongUse(msg) from None
    return file


def _pairs(values: Keys, keys: Mapping[str, PlanKey]) -> Iterator[str]:
    """Yield a line for each value, with what it means where `keys` say so."""
    for key, value in values.items():
        if value in ("", None):
            continue
        about = keys[key].about if key in keys else ""
        if key == "material" and value in MATERIALS:
            row = MATERIALS[str(value)]
            shown = ("zone", "over", "under", "headroom", "may_clip")
            brings = {one: getattr(row, one) for one in shown}
            told = [f"{one} {held:g}" for one, held in brings.items() if held is not None]
            about = f"brings {', '.join([*told, *(['no zone'] if row.zone is None else [])])}"
        pair = f"{tomlkit.key(key).as_string()} = {tomlkit.item(plain_value(value)).as_string()}"
        yield f"{pair:<{_COLUMN}} # {about}" if about else pair


def _examples(table: PlanKey, held: Iterable[str]) -> Iterator[str]:
    """Yield the keys that aren't said as comments with an example each."""
    for key, one in table.keys.items():
        if key not in {*held, *_BY_PROGRAM} and one.example is not None:
            pair = f"# {key} = {tomlkit.item(one.example).as_string()}"
            yield f"{pair:<{_COLUMN}} # {one.about}"


_CAMERA = (
    ("iso", "  ISO"),
    ("f_number", "  f-number"),
    ("shutter", "  Shutter"),
    ("sync_speed", "  Shortest time that syncs"),
)
_LAMP = (
    ("modifier", "  Modifier"),
    ("stand", "  Stand, or what holds it up"),
    ("pack", "  Pack that feeds it"),
)
_LAMP_SET = (
    ("meter", "  Meter, this lamp alone"),
    ("off_axis", "  Degrees round the sitter (60 right)"),
    ("elevation", "  Degrees up"),
    ("distance", "  Distance"),
)
_SCALE = ("scale", "full_reads", "full_ws")
_BACKDROP = (
    ("boxes", "Backdrop: its boxes (0,0,.3,.6 | .7,0,1,.6; Return: none, or drawn later)"),
    ("zone", "  Zone"),
    ("left_right", "  Left minus right, stops"),
)
_MOST = 50
"""Wrong answers, or tables of a kind, after which nobody is taken to answer."""


class Interview:
    """Asks for a plan, one question after the other, each until the plan can take its answer.

    Parameters
    ----------
    ask
        Puts a question and returns the answer, "" for none.
    say
        Says a line.

    Attributes
    ----------
    tables
        All that was answered so far: it makes a right plan at any time.
    """

    def __init__(self, ask: Callable[[str], str], say: Callable[[str], None]) -> None:
        self._ask = ask
        self._say = say
        self.tables: Tables = {}

    def plan(self) -> Tables:
        """Ask for a whole plan.

        Raises
        ------
        WrongUse
            If nobody is taken to answer; `tables` holds what was answered until then.
        """
        told = "Answer as you would say it: f/11, 8+0.3, 1/160, 60 right."
        self._say(f"{told} Return leaves it out.")
        self._one("", [("title", "Title")])
        self._say("Camera")
        self._one("camera", _CAMERA)
        self._many("light", "Lamp: its name (key, fill, hair, kicker, paper left)", self._lamp)
        self._many("patch", "Patch: its name (lit cheek)", self._patch)
        if len(self.tables.get("patch", ())) > 1:
            self._lines("ratio", "Ratio (lit cheek to shadow cheek = 2)")
        self._one("backdrop", _BACKDROP, needs="boxes")
        if "patch" in self.tables:
            self._lines("separation", "Separation (hair over backdrop = 0.7)")
        waiting = [patch["name"] for patch in self.tables.get("patch", ()) if "box" not in patch]
        if waiting:
            told = f"Still to be drawn on the first frame: {', '.join(map(str, waiting))}."
            self._say(f"{told} Till then they stand in the plan as comments.")
        return self.tables

    def _one(self, kind: str, questions: Iterable[tuple[str, str]], *, needs: str = "") -> None:
        """Ask for the keys of a table; without the one that it needs, for no more."""
        table = Keys()
        for key, question in questions:
            self._answer(kind, table, key, question)
            if needs and needs not in table:
                return

    def _many(self, kind: str, question: str, rest: Callable[[Keys], None]) -> None:
        """Ask for tables of a kind by their names, until one is left out."""
        for _ in range(_MOST):
            table = Keys()
            self._answer(kind, table, "name", f"{question}; Return for no more")
            if not table:
                return
            rest(table)
        raise _enough()

    def _lines(self, kind: str, question: str) -> None:
        """Ask for tables of a kind that are said in one line, until one is left out."""
        for _ in range(_MOST):
            told = f"{question}; Return for no more"
            if not self._keys(kind, Keys(), told, lambda said: table_of(kind, said)):
                return
        raise _enough()

    def _lamp(self, lamp: Keys) -> None:
        before = [one for one in self.tables["light"] if one is not lamp][-1:]
        if role := role_of(str(lamp["name"])):
            lamp["role"] = role
        else:
            self._answer("light", lamp, "role", "  What it is for (key, fill, kicker, background)")
        for key, question in _LAMP:
            self._answer("light", lamp, key, question)
        fed = str(lamp.get("pack", "")).casefold()
        heads = [one for one in self.tables["light"] if str(one.get("pack", "")).casefold() == fed]
        if fed and len(heads) > 1:
            told = f"  {heads[0]['name']} hangs on it too: is this head turned by itself (yes, no)"
            self._answer("light", lamp, "asymmetric", told)
        self._pack(lamp, before[0] if before else {})
        self._power(lamp)
        for key, question in _LAMP_SET:
            self._answer("light", lamp, key, question)

    def _pack(self, lamp: Keys, before: Keys) -> None:
        """Ask for scale and step; left out they are those of the lamp before."""
        usual = f"; Return: as {before['name']}" if before else ""
        question = f"  What its pack reads at full power (0, 1/1, 10, 500 Ws{usual})"
        if not self._keys("light", lamp, question, scale_at_full):
            lamp.update({key: before[key] for key in _SCALE if key in before})
        self._answer("light", lamp, "step", f"  Step of its power (0.1, 1/3{usual})")
        if "step" in before and "step" not in lamp:
            lamp["step"] = before["step"]

    def _patch(self, patch: Keys) -> None:
        self._answer("patch", patch, "box", "  Box (x0,y0,x1,y1; Return: drawn on the first frame)")
        self._answer("patch", patch, "material", f"  Material ({', '.join(MATERIALS)})")
        usual = MATERIALS[str(patch["material"])].zone if "material" in patch else None
        told = f"Return for {usual:g}" if usual else "Return for none: measured, not judged"
        self._answer("patch", patch, "zone", f"  Zone ({told})")
        if lamps := [str(lamp["name"]) for lamp in self.tables.get("light", ())]:
            self._answer("patch", patch, "lit_by", f"  Lit by ({', '.join(lamps)})")

    def _answer(self, kind: str, table: Keys, key: str, question: str) -> None:
        """Ask for one key, until the plan can take it or it is left out."""
        self._keys(kind, table, question, lambda said: {key: value_of(kind, key, said)})

    def _power(self, lamp: Keys) -> None:
        """Ask for a power as its pack's display shows it."""

        def read(said: str) -> Keys:
            scale, top = str(lamp.get("scale", "")), lamp.get("full_reads")
            typed = as_the_dial_reads(said, scale=scale, full_reads=top)
            return {"power": value_of("light", "power", typed)}

        self._keys("light", lamp, "  Power, as its pack shows it", read)

    def _keys(self, kind: str, table: Keys, question: str, read: Callable[[str], Keys]) -> Keys:
        """Ask until the plan can take the keys that an answer is read as; {} where it is left out.

        With its first keys a table is in the plan.
        """
        for _ in range(_MOST):
            answer = self._ask(question).strip()
            if not answer:
                return {}
            try:
                keys = read(answer)
                problems = self._problems(kind, table, keys)
            except WrongUse as wrong:
                problems = [str(wrong)]
            if not problems:
                if not table:
                    self.tables.setdefault(kind, []).append(table)
                table.update(keys)
                return keys
            for problem in problems:
                self._say(f"  {problem}")
        raise _enough()

    def _problems(self, kind: str, table: Keys, keys: Keys) -> list[str]:
        """Return what the plan would refuse in these keys of a table."""
        held = [one for one in self.tables.get(kind, ()) if one is not table]
        place: tuple[str | int, ...] = (kind,) if kind else ()
        if PLAN.at(place).shape == "tables":
            place = (kind, len(held))
        depth = len(place)
        faults = faults_of({**self.tables, kind: [*held, {**table, **keys}]})
        return [
            fault.what
            for fault in faults
            if fault.path[:depth] == place and (fault.path == place or fault.path[depth] in keys)
        ]


def _enough() -> WrongUse:
    return WrongUse("That is enough of wrong answers.")

"""The questions of `plan new` in trade order: camera, lamps, then targets."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Any

from stopwise.errors import PlanError, WrongUse
from stopwise.plan import readings
from stopwise.plan.model import MATERIALS
from stopwise.plan.new import new_plan_text
from stopwise.plan.readings import nearest
from stopwise.plan.spoken_tables import box_of, ratio_of, separation_of, value_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from stopwise.plan.new import Tables

    Question = tuple[str, str, Callable[[str], object]]
    """What is asked, the key that it is of, and what reads the answer or refuses it."""

_LAMPS = (
    ("key", "key", "Key"),
    ("fill", "fill", "Fill"),
    ("hair", "hair", "Hair light"),
    ("rim", "rim", "Rim light"),
    ("left paper", "background", "Background, left"),
    ("right paper", "background", "Background, right"),
)
"""Name, role and what each is called, in the order in which lamps come up."""

_CAMERA: tuple[Question, ...] = (
    ("  ISO", "iso", readings.read_iso),
    ("  f-number", "f_number", readings.read_f_number),
    ("  Shutter", "shutter", readings.read_shutter),
    ("  Shortest time that syncs", "sync_speed", readings.read_shutter),
)
_OF_A_LAMP: tuple[Question, ...] = (
    ("  Meter, this lamp alone", "meter", readings.read_f_number),
    ("  Power (-2, 1/4, 7.0 of 10)", "power", readings.read_power),
    ("  Degrees round the sitter (60 right)", "off_axis", readings.read_angle),
    ("  Degrees up", "elevation", readings.read_elevation),
    ("  Distance", "distance", readings.read_length),
)
_MOST = 50
"""Wrong answers, or tables of a kind, after which nobody is taken to answer."""


class Interview:
    """Asks for a plan, one question after the other, each until its answer can be read.

    Parameters
    ----------
    ask
        Puts a question and returns the answer, "" for none.
    say
        Says a line.
    """

    def __init__(self, ask: Callable[[str], str], say: Callable[[str], None]) -> None:
        self._ask = ask
        self._say = say
        self._tables: Tables = {}

    def plan(self) -> Tables:
        """Ask for a whole plan; every table that is taken makes a right plan with those before."""
        told = "Answer as you would say it: f/11, 8+0.3, 1/160, 60 right."
        self._say(f"{told} Return leaves it out.")
        self._take_one("title", lambda: self._ask("Title").strip())
        self._take_one("camera", self._camera)
        for lamp in _LAMPS:
            self._take_many("light", functools.partial(self._lamp, *lamp), most=1)
        self._take_many("patch", self._patch)
        if len(self._tables.get("patch", ())) > 1:
            question = "Ratio (lit cheek to shadow cheek = 2)"
            self._take_many("ratio", lambda: self._line(question, ratio_of))
        self._take_one("backdrop", self._backdrop)
        if "patch" in self._tables:
            question = "Separation (hair over backdrop = 0.7)"
            self._take_many("separation", lambda: self._line(question, separation_of))
        return self._tables

    def _take_one(self, kind: str, ask: Callable[[], Any]) -> None:
        """Ask for a table until the plan can take it, or it is left out."""
        for _ in range(_MOST):
            held = ask()
            if not held or self._takes({**self._tables, kind: held}):
                return
        raise _enough()

    def _take_many(self, kind: str, ask: Callable[[], Any], *, most: int = _MOST) -> None:
        """Ask for tables of a kind, each until the plan can take it, until one is left out."""
        taken = 0
        for _ in range(_MOST):
            held = ask() if taken < most else None
            if not held:
                return
            taken += self._takes({**self._tables, kind: [*self._tables.get(kind, ()), held]})
        raise _enough()

    def _takes(self, tables: Tables) -> bool:
        """Take tables that make a right plan; else say what is wrong."""
        try:
            new_plan_text(tables)
        except (PlanError, WrongUse) as wrong:
            for problem in getattr(wrong, "problems", (str(wrong),)):
                self._say(f"  {problem}")
            return False
        self._tables = tables
        return True

    def _camera(self) -> dict[str, Any]:
        self._say("Camera")
        return self._answers(_CAMERA)

    def _lamp(self, name: str, role: str, told: str) -> dict[str, Any] | None:
        modifier = self._ask(f"{told}: its modifier (Return for no such lamp)").strip()
        if not modifier:
            return None
        return {"name": name, "role": role, "modifier": modifier, **self._answers(_OF_A_LAMP)}

    def _patch(self) -> dict[str, Any] | None:
        name = self._ask("Patch: its name (Return for no more)").strip()
        if not name:
            return None
        lamps = [lamp["name"] for lamp in self._tables.get("light", ())]
        box = self._said("  Box (x0,y0,x1,y1 of the upright picture)", box_of, must=True)
        place: dict[str, Any] = {"name": name, "box": list(box_of(box))}
        place |= self._answers([(f"  Material ({', '.join(MATERIALS)})", "material", _material)])
        usual = MATERIALS[place["material"]].zone if "material" in place else None
        told = f"Return for {usual:g}" if usual else "Return for none: measured, not judged"
        place |= self._answers([(f"  Zone ({told})", "zone", _zone)])
        on_it: list[Question] = [(f"  Lit by ({', '.join(lamps)})", "lit_by", _lamps_in(lamps))]
        return place | self._answers(on_it if lamps else ())

    def _backdrop(self) -> dict[str, Any]:
        where = self._answers([("Backdrop: its boxes (0,0,.3,.6 | .7,0,1,.6)", "boxes", _boxes)])
        lies: tuple[Question, ...] = (
            ("  Zone", "zone", _zone),
            ("  Left minus right, stops", "left_right", readings.read_stops),
        )
        return where | self._answers(lies) if where else {}

    def _line(self, question: str, read: Callable[[str], dict[str, Any]]) -> dict[str, Any] | None:
        """Ask for a table that is said in one line."""
        answer = self._said(f"{question} (Return for no more)", read)
        return read(answer) if answer else None

    def _answers(self, questions: Iterable[Question]) -> dict[str, Any]:
        """Return what was said to each question, as TOML holds it; what was left out is not in."""
        found: dict[str, Any] = {}
        for question, key, read in questions:
            if answer := self._said(question, read):
                is_stops = key in ("zone", "left_right")
                found[key] = (
                    round(readings.read_stops(answer), 4) if is_stops else value_of(key, answer)
                )
        return found

    def _said(self, question: str, read: Callable[[str], object], *, must: bool = False) -> str:
        """Ask until the answer can be read, or is left out where it may be."""
        for _ in range(_MOST):
            answer = self._ask(question).strip()
            if not answer and not must:
                return ""
            try:
                read(answer)
            except WrongUse as wrong:
                self._say(f"  {wrong}")
            else:
                return answer
        raise _enough()


def _enough() -> WrongUse:
    return WrongUse("That is enough of wrong answers. Nothing was written.")


def _material(said: str) -> None:
    if said not in MATERIALS:
        meant = nearest(said, MATERIALS)
        ask = f' Did you mean "{meant}"?' if meant else ""
        msg = f"The materials are {', '.join(MATERIALS)}.{ask}"
        raise WrongUse(msg)


def _zone(said: str) -> None:
    if not -5.0 <= readings.read_stops(said) <= 12.0:
        msg = f"{said} is no zone: they run from 0 to 10, and mid-grey is 5."
        raise WrongUse(msg)


def _boxes(said: str) -> None:
    for box in value_of("boxes", said):
        box_of(",".join(str(part) for part in box))


def _lamps_in(lamps: list[str]) -> Callable[[str], None]:
    def check(said: str) -> None:
        unknown = [name for name in value_of("lit_by", said) if name not in lamps]
        if unknown:
            msg = f'There is no lamp "{unknown[0]}". There is {", ".join(lamps)}.'
            raise WrongUse(msg)

    return check

"""The questions of `plan new` in trade order: camera, lamps, then targets."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Any

from stopwise.errors import PlanError, WrongUse
from stopwise.plan import readings
from stopwise.plan.materials import MATERIALS
from stopwise.plan.new import new_plan_text
from stopwise.plan.source import nearest
from stopwise.plan.tables import box_of, ratio_of, separation_of, value_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from stopwise.plan.new import Tables

_LAMPS = (
    ("key", "key", "Key"),
    ("fill", "fill", "Fill"),
    ("hair", "hair", "Hair light"),
    ("rim", "rim", "Rim light"),
    ("left paper", "background", "Background, left"),
    ("right paper", "background", "Background, right"),
)
_SKIP = "Return leaves it out"
_MOST = 50


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
        self._say(f"Answer as you would say it: f/11, 8+0.3, 1/160, 60 right. {_SKIP}.")
        self._one("title", lambda: self._text("Title"))
        self._one("camera", self._camera)
        for row in _LAMPS:
            self._many("light", functools.partial(self._lamp, *row), most=1)
        self._many("patch", self._patch)
        if len(self._tables.get("patch", ())) > 1:
            self._many("ratio", self._line("Ratio (lit cheek to shadow cheek = 2)", ratio_of))
        self._one("backdrop", self._backdrop)
        if "patch" in self._tables:
            self._many(
                "separation", self._line("Separation (hair over backdrop = 0.7)", separation_of)
            )
        return self._tables

    def _one(self, kind: str, ask: Callable[[], Any]) -> None:
        """Ask for a table until the plan can take it, or it is left out."""
        for _ in range(_MOST):
            held = ask()
            if not held:
                return
            if self._take({**self._tables, kind: held}):
                return
        raise _enough()

    def _many(self, kind: str, ask: Callable[[], Any], *, most: int = _MOST) -> None:
        """Ask for tables of a kind, each until the plan can take it, until one is left out."""
        taken = 0
        for _ in range(_MOST):
            held = ask() if taken < most else None
            if not held:
                return
            taken += self._take({**self._tables, kind: [*self._tables.get(kind, ()), held]})
        raise _enough()

    def _take(self, tables: Tables) -> bool:
        """Take tables that make a right plan; else say what is wrong."""
        try:
            new_plan_text(tables)
        except PlanError as wrong:
            for problem in wrong.problems:
                self._say(f"  {problem.removesuffix(' Nothing was written.')}")
            return False
        except WrongUse as wrong:
            self._say(f"  {wrong}")
            return False
        self._tables = tables
        return True

    def _camera(self) -> dict[str, Any]:
        self._say("Camera")
        return _known(
            iso=self._said("  ISO", readings.read_iso),
            f_number=self._said("  f-number", readings.read_f_number),
            shutter=self._said("  Shutter", readings.read_shutter),
            sync_speed=self._said("  Shortest time that syncs", readings.read_shutter),
        )

    def _lamp(self, name: str, role: str, told: str) -> dict[str, Any] | None:
        modifier = self._text(f"{told}: its modifier (Return for no such lamp)")
        if not modifier:
            return None
        return _known(
            name=name,
            role=role,
            modifier=modifier,
            meter=self._said("  Meter, this lamp alone", readings.read_f_number),
            power=self._said("  Power (-2, 1/4, 7.0 of 10)", readings.read_power),
            off_axis=self._said("  Degrees round the sitter (60 right)", readings.read_angle),
            elevation=self._said("  Degrees up", readings.read_elevation),
            distance=self._said("  Distance", readings.read_length),
        )

    def _patch(self) -> dict[str, Any] | None:
        name = self._text("Patch: its name (Return for no more)")
        if not name:
            return None
        lamps = [lamp["name"] for lamp in self._tables.get("light", ())]
        box = self._said("  Box (x0,y0,x1,y1 of the upright picture)", box_of, must=True)
        material = self._said(f"  Material ({', '.join(MATERIALS)})", _material)
        usual = MATERIALS[material].zone if material else None
        told = f"Return for {usual:g}" if usual else "Return for none: measured, not judged"
        zone = self._said(f"  Zone ({told})", _zone)
        lit_by = self._said(f"  Lit by ({', '.join(lamps)})", _lamps_in(lamps)) if lamps else ""
        return _known(
            name=name,
            box=list(box_of(box)),
            material=material,
            zone=_number(zone),
            lit_by=value_of("lit_by", lit_by),
        )

    def _backdrop(self) -> dict[str, Any]:
        boxes = self._said("Backdrop: its boxes (0,0,.3,.6 | .7,0,1,.6)", _boxes)
        if not boxes:
            return {}
        return _known(
            boxes=value_of("boxes", boxes),
            zone=_number(self._said("  Zone", _zone)),
            left_right=_number(self._said("  Left minus right, stops", readings.read_stops)),
        )

    def _line(
        self, question: str, read: Callable[[str], dict[str, Any]]
    ) -> Callable[[], dict[str, Any] | None]:
        """Return what asks for a table that is said in one line."""

        def ask() -> dict[str, Any] | None:
            answer = self._said(f"{question} (Return for no more)", read)
            return read(answer) if answer else None

        return ask

    def _text(self, question: str) -> str:
        return self._ask(question).strip()

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


def _known(**values: Any) -> dict[str, Any]:
    """Return what was said, plain numbers as numbers."""
    return {
        key: value_of(key, value) if isinstance(value, str) else value
        for key, value in values.items()
        if value not in ("", None, [])
    }


def _material(said: str) -> None:
    if said not in MATERIALS:
        meant = nearest(said, MATERIALS)
        ask = f' Did you mean "{meant}"?' if meant else ""
        msg = f"The materials are {', '.join(MATERIALS)}.{ask}"
        raise WrongUse(msg)


def _zone(said: str) -> None:
    value = readings.read_stops(said)
    if not -5.0 <= value <= 12.0:
        msg = f"{said} is no zone: they run from 0 to 10, and mid-grey is 5."
        raise WrongUse(msg)


def _number(said: str) -> float | None:
    return round(readings.read_stops(said), 4) if said else None


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

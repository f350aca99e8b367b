"""What holds now: look, lamps that are meant to be lit, take; heard from orders, kept for later."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from stopwise.errors import WrongUse
from stopwise.lamps.outputs import OFF_UNCERTAINTIES
from stopwise.plan.model import Plan
from stopwise.shoot.awaited_parts import Awaiting, keep_awaiting
from stopwise.shoot.look_frames import forget_built, read_from
from stopwise.shoot.saying import YES, TakeSaid, read_lit, read_look, read_parts, read_take
from stopwise.shoot.take import Begun, Run

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping, Sequence

    from stopwise.ledger import Ledger, Order
    from stopwise.plan.model import Light
    from stopwise.record import Record
    from stopwise.shoot.take import Offer
    from stopwise.stops import CameraSetting

OWN = "the plan's own"
"""How the targets are called that hold where no look is worn."""

_STANDING, _BEGUN, _OFFERED, _POWERS = "standing", "take begun", "offered", "powers turned"
_CAMERA = "camera set"
_BEFORE_ADOPTION = "before adoption"


def offered_turn(ledger: Ledger) -> dict[str, float]:
    """Return the turn that was noticed and is asked about, stops by lamp; empty for none."""
    return dict(ledger.settings.get(_OFFERED) or {})


def worn_and_lit(ledger: Ledger) -> tuple[str | None, tuple[str, ...] | None]:
    """Return the look that is worn and the lamps that are meant to be lit, None for all."""
    kept = ledger.settings.get(_STANDING) or {}
    lit = kept.get("lit")
    return kept.get("look"), None if lit is None else tuple(lit)


@dataclass(frozen=True, slots=True)
class DialNow:
    """Where a lamp's dial stands, stops below full: as it was said, and as frames read it.

    Attributes
    ----------
    planned
        In the plan, which is where its solo was shot.
    said
        By the plan and what takes turned since.
    read
        On its pack's steps as it was read last, where that parts from what was said by more than
        the reading is sure to: a turn that nobody said, or that was said and not done. Else None.
    uncertainty
        Of what was read, stops.
    """

    planned: float
    said: float
    read: float | None = None
    uncertainty: float = 0.0

    @property
    def stands(self) -> float:
        """Where it stands, as far as anybody knows."""
        return self.said if self.read is None else self.read

    def words(self, light: Light) -> str:
        """Return where it stands as its pack shows it: "-1.2 ± 0.03 as read, -2.0 as said"."""
        if self.read is None:
            return light.power_shown(self.said)
        read, said = light.power_shown(self.read), light.power_shown(self.said)
        return f"{read} ± {self.uncertainty:.2f} as read, {said} as said"


def dials_now(ledger: Ledger, plan: Plan | None) -> dict[str, DialNow]:
    """Return where each lamp's dial stands now; see :meth:`Standing.dials`."""
    return Standing(ledger, lambda _: None).dials(plan)


def stands_now(ledger: Ledger, plan: Plan | None) -> dict[str, float]:
    """Return where each lamp's dial stands now; see :meth:`Standing.stands`."""
    return Standing(ledger, lambda _: None).stands(plan)


def camera_as_said(ledger: Ledger, plan: Plan) -> Plan:
    """Return a plan with the camera's settings that takes have changed on purpose.

    A setting that the plan has changed since is the plan's.
    """
    said = ledger.settings.get(_CAMERA) or {}
    now = {
        name: value
        for name, (planned, value) in said.items()
        if getattr(plan.camera, name) == planned
    }
    if not now:
        return plan
    return plan.model_copy(update={"camera": plan.camera.model_copy(update=now)})


class Standing:
    """What was said and holds.

    Parameters
    ----------
    ledger
        Where orders are read and what holds is kept, so that a watch goes on where it ended.
    tell
        Called with each thing that was heard, in one sentence.
    """

    def __init__(self, ledger: Ledger, tell: Callable[[str], None]) -> None:
        self._ledger = ledger
        self._tell = tell
        self.look, self.lit = worn_and_lit(ledger)
        self.run = Run(Begun(**(ledger.settings.get(_BEGUN) or {})))
        self._fill_run()

    @property
    def take(self) -> int | None:
        """The number of the take that is on."""
        return self.run.begun.number

    def words(self) -> list[str]:
        """Return what holds, as far as it isn't what a new watch begins with."""
        found = [] if self.take is None else [f"take {self.take}"]
        found += [] if self.look is None else [f"look {self.look}"]
        lit = "" if self.lit is None else f"meant to be lit are only {', '.join(self.lit)}"
        return [*found, lit] if lit else found

    def hear(self, plan: Plan | None) -> bool:
        """Do what was ordered since; return whether anything was."""
        orders = self._ledger.orders.open()
        for order in orders:
            act = _ACTS.get(order.kind)
            if act is None:
                continue
            try:
                said = act(self, order, plan)
            except WrongUse as error:
                said = f"{order.kind}: {error}"
            self._ledger.orders.finish(order.number, said)
            self._tell(said)
        return bool(orders)

    def wear(self, look: str | None) -> None:
        """Wear a look from the next frame on."""
        if look == self.look:
            return
        self.look = look
        self._keep()
        if self.take is not None:
            self._begin(TakeSaid(), self.run.gave())

    def offer(self, offer: Offer) -> None:
        """Keep a turn that is asked about, for `take yes`."""
        self._ledger.settings.set(_OFFERED, {offer.lamp: offer.stops})

    def powers(self, plan: Plan | None) -> dict[str, float]:
        """Return the power now, stops below full, of each lamp that takes turned.

        A lamp whose power the plan has changed since stands at the plan's.
        """
        kept = self._ledger.settings.get(_POWERS) or {}
        return {
            light.name: light.power + kept[light.name][1]
            for light in (plan.lights if plan else ())
            if light.power is not None and light.name in kept and kept[light.name][0] == light.power
        }

    def stands(self, plan: Plan | None) -> dict[str, float]:
        """Return where dials stand, stops below full, as far as that isn't the plan's power."""
        turned = self.powers(plan)
        return {
            name: one.stands
            for name, one in self.dials(plan).items()
            if name in turned or one.read is not None
        }

    def dials(self, plan: Plan | None) -> dict[str, DialNow]:
        """Return where the dial of each lamp stands whose power the plan says."""
        powers, gave = self.powers(plan), self.run.gave()
        found = {}
        for light in plan.lights if plan else ():
            name, planned = light.name, light.power
            if plan is None or planned is None:
                continue
            found[name] = DialNow(planned, powers.get(name, planned))
            if name not in gave or name not in plan.frames.solo:
                continue
            doubt = self.run.doubt(name)
            sure = max(OFF_UNCERTAINTIES * doubt, light.step / 2.0)
            if abs(planned + gave[name] - found[name].said) > sure:
                stands = planned + round(gave[name] / light.step) * light.step
                least, most = light.range
                read = round(min(max(stands, least), most), 4)
                found[name] = replace(found[name], read=read, uncertainty=doubt)
        return found

    def silent(self, plan: Plan | None) -> dict[str, DialNow]:
        """Return the dials that frames read elsewhere than anybody said that they stand."""
        return {name: one for name, one in self.dials(plan).items() if one.read is not None}

    def from_solos(self, plan: Plan, solos: Collection[str]) -> dict[str, float]:
        """Return the stops from their solos at which dials stand that were turned since.

        A lamp that was turned and back is there with none. One whose power the plan doesn't say, or
        has changed since, stands where takes turned it.

        Parameters
        ----------
        plan
            Its lamps and solos.
        solos
            Contents of the solos: takes that began before the last of them don't count.
        """
        kept = [self._ledger.frames.by_hash(one) for one in solos]
        last = max((one.frame for one in kept if one is not None), default=0)
        turned = dict.fromkeys(self.silent(plan), 0.0)
        for take in self._ledger.takes.all():
            if (take.after_frame or 0) >= last:
                for lamp, stops in take.turned.items():
                    turned[lamp] = turned.get(lamp, 0.0) + stops
        dials, stands = self.dials(plan), self.stands(plan)
        known = {name: round(at - dials[name].planned, 4) for name, at in stands.items()}
        return {name: known.get(name, stops) for name, stops in turned.items()}

    def _wear(self, order: Order, plan: Plan | None) -> str:
        name = order.body
        look = None if name is None else read_look(str(name), plan or Plan())
        self.wear(look)
        lamps = read_from(self._ledger, plan, look)
        return f"Look from the next frame on: {look or OWN}. {lamps}".rstrip()

    def _light(self, order: Order, plan: Plan | None) -> str:
        body = order.body
        self.lit = None if body is None else read_lit(", ".join(body), plan or Plan())
        self._keep()
        return "All lamps are meant to be lit." if self.lit is None else _only(self.lit)

    def _moved(self, order: Order, _: Plan | None) -> str:
        """Let go of frames that lamps lit before they were moved; a take ends with that."""
        lamps = tuple(order.body)
        for lamp in lamps:
            forget_built(self._ledger, lamp)
        said = f"{moved_words(lamps)}."
        if self.take is not None:
            said = f"{said} {self._begin(TakeSaid(), self.run.gave())}"
        self.expect_nothing_of(lamps)
        return said

    def expect_nothing_of(self, lamps: Collection[str]) -> None:
        """Forget what lamps gave and were turned by, whose solos are others from now on."""
        begun = self.run.begun
        kept = {
            side: {name: stops for name, stops in given.items() if name not in lamps}
            for side, given in (("base", begun.base), ("turned", begun.turned))
        }
        self._ledger.settings.set(_BEGUN, {"number": begun.number, **kept})
        self.run = Run(Begun(begun.number, **kept))

    def _take(self, order: Order, plan: Plan | None) -> str:
        said, stands = str(order.body).strip(), self.stands(plan)
        if said.lower() == YES:
            offered = self._ledger.settings.get(_OFFERED)
            if not offered:
                msg = 'No turn was asked about. Say what was turned: take "key -0.5".'
                raise WrongUse(msg)
            base = {**self.run.gave()}
            base |= {name: base.get(name, 0.0) - stops for name, stops in offered.items()}
            stands |= {name: stands[name] - by for name, by in offered.items() if name in stands}
            return self._begin(TakeSaid(dict(offered)), base, plan, stands)
        return self._begin(read_take(said, plan, powers=stands), self.run.gave(), plan, stands)

    def _adopt(self, order: Order, _: Plan | None) -> str:
        lamps = order.body.get("lamps") or {}
        gave = {
            name: one["stops"]
            for name, one in lamps.items()
            if one["stops"] is not None and one["state"] not in ("out", "not seen")
        }
        begun = self.run.begun
        before = {"number": begun.number, "base": dict(begun.base), "turned": dict(begun.turned)}
        said = self._begin(TakeSaid(), {**self.run.gave(), **gave})
        self._ledger.settings.set(_BEFORE_ADOPTION, {"take": self.take, "begun": before})
        return f"Adopted {order.body['file']}. {said}"

    def _unadopt(self, order: Order, _: Plan | None) -> str:
        """Go on with the take that was on before an adoption began its own."""
        said = f"{order.body} is no longer adopted."
        kept = self._ledger.settings.get(_BEFORE_ADOPTION)
        if not kept or kept["take"] != self.take:
            return said
        self._ledger.takes.forget_empty(kept["take"])
        self._ledger.settings.set(_BEFORE_ADOPTION, None)
        self._ledger.settings.set(_BEGUN, kept["begun"])
        self.run = Run(Begun(**kept["begun"]))
        self._fill_run()
        return said if self.take is None else f"{said} Take {self.take} goes on."

    def _expect(self, order: Order, plan: Plan | None) -> str:
        awaiting = Awaiting(read_parts(", ".join(order.body), plan or Plan()))
        keep_awaiting(self._ledger, awaiting)
        words = awaiting.words()
        return f"{words[:1].upper()}{words[1:]}."

    def _begin(
        self,
        said: TakeSaid,
        base: Mapping[str, float],
        plan: Plan | None = None,
        stands: Mapping[str, float] | None = None,
    ) -> str:
        take = self._ledger.takes.begin(said.turned, look=self.look)
        self.run = Run(Begun(take.number, dict(base), said.turned))
        self._ledger.settings.set(
            _BEGUN, {"number": take.number, "base": dict(base), "turned": said.turned}
        )
        self._ledger.settings.set(_OFFERED, {})
        self._keep_powers(said.turned, plan, stands or {})
        self._keep_camera(said.camera, plan)
        what = f": {said.shown}" if said.shown else ""
        return f"Take {take.number} begins with the next frame{what}."

    def _keep_camera(self, said: Mapping[CameraSetting, float], plan: Plan | None) -> None:
        kept: dict[str, Any] = self._ledger.settings.get(_CAMERA) or {}
        camera = (plan or Plan()).camera
        kept |= {name: [getattr(camera, name), value] for name, value in said.items()}
        if said:
            self._ledger.settings.set(_CAMERA, kept)

    def _keep_powers(
        self, turned: Mapping[str, float], plan: Plan | None, stood: Mapping[str, float]
    ) -> None:
        kept: dict[str, Any] = self._ledger.settings.get(_POWERS) or {}
        for name, stops in turned.items():
            light = None if plan is None else plan.light(name)
            if light is None or light.power is None:
                continue
            since = stood.get(name, light.power) - light.power
            kept[name] = [light.power, round(since + stops, 3)]
        self._ledger.settings.set(_POWERS, kept)

    def _keep(self) -> None:
        lit = None if self.lit is None else list(self.lit)
        self._ledger.settings.set(_STANDING, {"look": self.look, "lit": lit})

    def _fill_run(self) -> None:
        """Take in the frames of the take that were kept before the watch began."""
        for kept in self._ledger.frames.all(last=60):
            if kept.record.take == self.take and _is_of_the_run(kept.record):
                self.run.see(kept.record, lit=self.lit)


def _is_of_the_run(record: Record) -> bool:
    """Tell whether a kept frame was judged and isn't kept out of its take's run."""
    return record.verdict not in _NOT_JUDGED and record.in_run is not False


_NOT_JUDGED = ("measured", "unreadable")


def moved_words(lamps: Sequence[str]) -> str:
    """Return what becomes of lamps that were moved, and what to do."""
    many = len(lamps) > 1
    whose, count, each = ("their solos", "count", "each") if many else ("its solo", "counts", "it")
    return (
        f"Moved: {', '.join(lamps)}; {whose} {count} no more. Say lit {lamps[0]} and shoot {each} "
        "alone"
    )


def _only(lit: tuple[str, ...]) -> str:
    return f"Meant to be lit: {', '.join(lit)}. Targets that need other lamps wait."


_ACTS: dict[str, Callable[[Standing, Order, Plan | None], str]] = {
    "look": Standing._wear,  # noqa: SLF001 (the class's own table)
    "lit": Standing._light,  # noqa: SLF001
    "take": Standing._take,  # noqa: SLF001
    "moved": Standing._moved,  # noqa: SLF001
    "adopt": Standing._adopt,  # noqa: SLF001
    "unadopt": Standing._unadopt,  # noqa: SLF001
    "expect": Standing._expect,  # noqa: SLF001
}

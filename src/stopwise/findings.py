"""Findings: what each check of a frame came to, their one order, and the one verdict over them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence  # noqa: TC003 - JSON is read by these types
from dataclasses import dataclass, field
from typing import Literal

from stopwise.codes import Check, Code  # noqa: TC001 - JSON is read by these types
from stopwise.frame import Held, Point  # noqa: TC001 - JSON is read by these types
from stopwise.plan.model import FrameRole  # noqa: TC001 - JSON is read by these types

Advice = Literal[
    "shoot_slower",
    "stay_slower",
    "leave_lamps",
    "feather",
    "way_back",
    "secure",
    "tilt_up",
    "tilt_down",
    "turn_in",
    "turn_out",
    "feather_paper",
    "finish",
    "solo",
    "ask",
    "wait",
]
"""What to do where neither the turn nor the code alone says it."""

State = Literal["holds", "fails", "on the line", "not seen"]
Cause = Literal["lamp", "sitter", "camera", "shutter", "backdrop", "unknown"]
Within = tuple[float | None, float | None]
Unit = Literal["stops", "zone", "fraction", "SNR", "ISO", "f-number", "s"]
Figure = Literal["zone", "left_right", "falloff", "uneven", "blotch", "tint"]
"""Figures of the backdrop."""

Side = Literal["left", "right", "top", "bottom"]
Answer = Literal["on plan", "off plan", "can't tell", "measured", "unreadable"]

_ROUNDING = 1e-9
"""A difference this little outside its limit is one that float arithmetic put there."""


@dataclass(frozen=True, slots=True)
class Turn:
    """A lamp's turn at its pack: one of those that together bring the next frame on plan.

    Attributes
    ----------
    light
        The lamp.
    stops
        In the lamp's own steps and within its range, negative for down; 0 where it stands at the
        end of it.
    to
        Where its dial then stands, stops below full; None where nobody knows where it stands.
    shown
        The same as its pack shows it: "to -2.4", "to 1/4"; None with `to`.
    explains
        What the failed findings are of that it mends, worst first.
    limit, short_by
        The end of its range at which it stops short of what is needed, and by how many stops.
    together
        Other lamps that the same dial turns, for they hang on one pack.
    """

    light: str
    stops: float
    to: float | None = None
    shown: str | None = None
    explains: tuple[str, ...] = ()
    limit: Literal["full", "least"] | None = None
    short_by: float = 0.0
    together: tuple[str, ...] = ()

    @property
    def needed(self) -> float:
        """Stops that would be right, were there no end to its range."""
        return self.stops + self.short_by


@dataclass(frozen=True, slots=True)
class Knocked:
    """A camera setting that isn't the plan's.

    Attributes
    ----------
    setting
        Its key in the plan.
    found, planned
        What the file says, and what the plan does.
    """

    setting: Literal["iso", "f_number", "shutter"]
    found: float
    planned: float


@dataclass(frozen=True, slots=True)
class Detail:
    """What a finding tells besides its figures; whatever it says nothing of is None or empty.

    Attributes
    ----------
    material, must_see, still
        Of the patch: decide how grave it is, and whether there is a verdict without it; `still` is
        True for a chip or a card, which never leads.
    patches
        Patches that it is about; none for the frame, the paper, a setting, a lamp.
    lamps
        Lamps that light what it is about, the leading one first.
    at, where, near
        A place in the picture, a box round it, and the patch that lies nearest.
    side
        Of the picture.
    count
        Of specks.
    share
        Greatest share of the frame, where only that is known.
    moved
        Shares of the picture to the right and down, of a spot or of the way back into it.
    overhead, held
        Whether the lamp hangs over people, and by what it is held.
    knocked
        The camera setting that explains it.
    shutter_s
        A time to shoot at, seconds.
    since_s
        Seconds since the frame before.
    scale
        Factor by which what is seen grew.
    turned_stops
        What the lamp was turned by meanwhile.
    lamps_steady
        Whether the lamps are known to have been steady.
    camera_held
        How the camera was held.
    shown
        Where the lamp's dial is to stand, as its pack shows it.
    """

    material: str | None = None
    must_see: bool | None = None
    still: bool | None = None
    patches: tuple[str, ...] = ()
    lamps: tuple[str, ...] = ()
    at: Point | None = None
    where: tuple[float, float, float, float] | None = None
    near: str | None = None
    side: Side | None = None
    count: int | None = None
    share: float | None = None
    moved: Point | None = None
    overhead: bool | None = None
    held: Literal["boom", "stand"] | None = None
    knocked: Knocked | None = None
    shutter_s: float | None = None
    since_s: float | None = None
    scale: float | None = None
    turned_stops: float | None = None
    lamps_steady: bool | None = None
    camera_held: Held | None = None
    shown: str | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """One check's answer.

    Attributes
    ----------
    check, of
        What was checked, of which patch, lamp or setting; `of` is a name to show, and nothing is
        read out of it.
    code
        What is said of it.
    state
        Holds, fails, on the line (its uncertainty straddles the limit), not seen.
    measured, planned
        In `unit`; None where not seen or not stated.
    within
        Least and greatest difference allowed; None where a side is open.
    unit
        Of the figures.
    uncertainty
        Standard uncertainty of `measured`, same unit.
    why
        Name of the condition that keeps it from being seen.
    lit, shadow
        The two patches of a ratio or a separation: the lighter, the darker.
    figure
        Which one of the backdrop's.
    cause
        Of a failed finding; None else.
    explained_by
        The lamp that is the cause; where it is to be turned, its turn is among the verdict's.
    turn
        What is left to turn, of a comparison's finding on one lamp; None in a frame's.
    advice
        What to do where code and turns don't say it.
    detail
        What else is told.
    """

    check: Check
    of: str
    code: Code
    state: State
    measured: float | None = None
    planned: float | None = None
    within: Within | None = None
    unit: Unit = "stops"
    uncertainty: float | None = None
    why: str | None = None
    lit: str | None = None
    shadow: str | None = None
    figure: Figure | None = None
    cause: Cause | None = None
    explained_by: str | None = None
    turn: Turn | None = None
    advice: Advice | None = None
    detail: Detail = field(default=Detail())

    @property
    def difference(self) -> float | None:
        """Measured less planned, where both are known."""
        if self.measured is None or self.planned is None:
            return None
        return self.measured - self.planned

    @property
    def excess(self) -> float:
        """How far the difference lies outside `within`, in its unit; negative inside.

        Minus infinity where nothing is measured or no limit is set.
        """
        return excess(self.difference, self.within)

    @property
    def is_misfire(self) -> bool:
        """Whether it says that a lamp, or all of them, gave no light."""
        return self.state == "fails" and self.code in _MISFIRES

    @property
    def is_zone(self) -> bool:
        """Whether it is about the zone of a patch or of the backdrop."""
        return self.check == "patch" or self.figure == "zone"


_MISFIRES = ("none_fired", "out", "likely_out")


def excess(difference: float | None, within: Within | None) -> float:
    """Return how far `difference` lies outside `within`; negative inside, -inf with no limit."""
    if difference is None or within is None:
        return -math.inf
    low, high = within
    over = -math.inf if high is None else difference - high
    under = -math.inf if low is None else low - difference
    return max(over, under)


def state_of(difference: float | None, within: Within, uncertainty: float | None) -> State:
    """Return what a difference says of its limit.

    Parameters
    ----------
    difference
        Measured less planned; None where it isn't seen.
    within
        Least and greatest difference allowed, each None where that side is open.
    uncertainty
        Standard uncertainty of the difference, same unit; None counts as 0.

    Returns
    -------
    str
        "on the line" where difference +- uncertainty straddles a limit.
    """
    if difference is None:
        return "not seen"
    outside = excess(difference, within)
    if abs(outside) < (uncertainty or 0.0):
        return "on the line"
    return "fails" if outside > _ROUNDING else "holds"


_STATES = ("fails", "on the line", "not seen", "holds")
_SKIN, _CLOTH = "skin", "white cloth"


def severity(finding: Finding) -> tuple[int, int, float]:
    """Return the sort key of the one order in which findings are told, worst first.

    By state; then no lamp fired, a lamp out, camera and settings, shutter, blown skin or cloth, a
    lamp weak or strong, skin, white cloth and hair, the rest, ratios, paper, pinpoints, chips and
    cards; then what a lamp explains; then how far outside, in widths of what is allowed.
    """
    low, high = finding.within or (None, None)
    width = sum(abs(side) for side in (low, high) if side is not None) or 0.1
    outside = -finding.excess / width
    if finding.explained_by is not None:
        outside -= 1e6  # what a turn mends is told before its equals that nothing mends
    return _STATES.index(finding.state), rank(finding), outside


def rank(finding: Finding) -> int:
    """Return how grave what a finding is about is, 0 for the gravest; `LAMP_OFF` for a lamp off."""
    check, material = finding.check, finding.detail.material
    if check == "lamp":
        return {"none_fired": 0, "out": 1, "likely_out": 1}.get(finding.code, LAMP_OFF)
    if finding.detail.still:
        return _STILL
    if finding.code == "blown" and material in (_SKIN, _CLOTH):
        return 5
    return _RANKS.get(check) or {_SKIN: 7, _CLOTH: 8, "hair": 8}.get(material or "", _REST)


LAMP_OFF = 6
"""Rank of a lamp that is off: what a turn mends is told at it."""

_STILL = 13  # a chip or a card is an aid, and no part of the picture
_REST = 9  # rank in the order of severity: after cloth and hair, before ratio and paper
_RANKS = {"exposure": 2, "setting": 3, "shutter": 4, "ambient": 4, "ratio": 10, "backdrop": 11,
          "pinpoints": 12}  # fmt: skip


ReasonCode = Literal[
    "no_boxes",
    "must_see",
    "material_not_seen",
    "may_be_clipped",
    "nothing_seen",
    "open",
    "own_frame",
    "refused",
    "file",
]


@dataclass(frozen=True, slots=True)
class Reason:
    """Why there is no plain verdict.

    Attributes
    ----------
    code
        no_boxes: the camera is held as for no boxes of the plan; must_see, material_not_seen,
        nothing_seen: what a verdict would need isn't seen; may_be_clipped: more may be blown than a
        limit allows; open: its zones aren't set; own_frame: the frame plays a part in the plan;
        refused: it was meant to, and can't; file: the file gives no pixels.
    of
        Names that it is about: patches and ratios, a material, the part.
    detail
        Of a file or a refusal: what was seen.
    condition
        Of a file: name of its condition.
    role, lamp
        Of the plan's own frame: the part that it plays, and whose solo or white card it is.
    value
        What that came to: mid-grey as the plan has it now, a fraction of the named white; the
        ambient light against the nearest target zone, stops; how uneven the bare paper is, stops.
        None for the others, and where it can't be told.
    """

    code: ReasonCode
    of: tuple[str, ...] = ()
    detail: str = ""
    condition: str | None = None
    role: FrameRole | None = None
    lamp: str | None = None
    value: float | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """The answer over all findings.

    Attributes
    ----------
    verdict
        On plan, off plan, can't tell, measured, unreadable.
    findings
        Worst first.
    reason
        Why it can't be told; None where it can.
    turns
        Those that together bring the next frame on plan, the one that gains most first.
    """

    verdict: Answer
    findings: tuple[Finding, ...] = ()
    reason: Reason | None = None
    turns: tuple[Turn, ...] = ()

    def turn_for(self, finding: Finding) -> Turn | None:
        """Return the turn that mends a finding; None without one."""
        lamp = finding.explained_by
        return next((one for one in self.turns if lamp is not None and one.light == lamp), None)


def verdict_of(findings: Iterable[Finding], turns: Iterable[Turn] = ()) -> Verdict:
    """Return the verdict that findings come to, with the findings in their order, and the turns.

    Any that fails: off plan. Else can't tell, where a `must_see` patch or a ratio isn't seen, where
    no patch of a material is that has two or more, where more may be clipped than a limit allows,
    or where nothing is seen at all; what waits for its lamps is left out. Else on plan: on the line
    counts as held.
    """
    told = tuple(sorted(findings, key=severity))
    if any(finding.state == "fails" for finding in told):
        return Verdict("off plan", told, turns=tuple(turns))
    reason = _missing(told)
    return Verdict("can't tell" if reason else "on plan", told, reason)


def _missing(findings: Sequence[Finding]) -> Reason | None:
    held = next((one.detail.camera_held for one in findings if one.code == "no_boxes"), None)
    if held is not None:
        return Reason("no_boxes", (held,))
    needed = [
        finding.of
        for finding in findings
        if finding.state == "not seen"
        and (finding.check == "ratio" or (finding.check == "patch" and finding.detail.must_see))
    ]
    if needed:
        return Reason("must_see", tuple(needed))
    seen_by_material: dict[str, list[bool]] = {}
    for finding in findings:
        if finding.check == "patch" and finding.detail.material is not None:
            is_seen = finding.state != "not seen"
            seen_by_material.setdefault(finding.detail.material, []).append(is_seen)
    for material, seen in seen_by_material.items():
        if len(seen) > 1 and not any(seen):
            return Reason("material_not_seen", (material,))
    if any(finding.code == "may_be_clipped" for finding in findings):
        return Reason("may_be_clipped")
    if not any(finding.state in ("holds", "on the line") for finding in findings):
        return Reason("nothing_seen")
    return None

"""Messages: code and fields of a finding or a reason to its sentence, its headline, its advice.

The templates stand in :mod:`stopwise.codes`; their fields are worked out here from the finding, and
names are shortened where a headline needs it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from stopwise.codes import FINISH, MESSAGES, STEADY
from stopwise.conditions import condition
from stopwise.findings import LAMP_OFF, rank
from stopwise.part_lines import Unjudged, part_lines
from stopwise.stops import aperture_stops, iso_stops
from stopwise.wording import (
    FIGURES,
    HEADLINE_WIDTH,
    PAPER_FIGURES,
    f_text,
    fitted,
    iso_text,
    lamp_name,
    left_text,
    listed,
    moved_text,
    over_or_under,
    percent_text,
    place_text,
    share_text,
    shown,
    shutter_text,
    stops_text,
    tenths,
    title,
    up_or_down,
    where_text,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from stopwise.codes import Message
    from stopwise.findings import Finding, Reason, Turn, Verdict


_SETTINGS: dict[str, tuple[str, Callable[[float], str]]] = {
    "iso": ("sensitivity", iso_text),
    "f_number": ("aperture", f_text),
    "shutter": ("shutter", shutter_text),
}
_NAMES = ("of", "lit", "shadow", "lamp")
"""Fields that are names and may be shortened."""


def say(finding: Finding) -> str:
    """Return a finding's whole sentence."""
    return title(_filled(_message(finding).say, finding))


def do(finding: Finding, turn: Turn | None = None) -> str:
    """Return what to do about a finding that `turn` mends; "" where nothing is, or that says it."""
    if finding.state == "not seen" and not _message(finding).is_advice:
        lost = finding.check == "patch" and finding.why == "not_followed"
        return "Bring the sitter back to the mark." if lost and finding.detail.must_see else ""
    message = _message(finding)
    if finding.state != "fails" and not message.is_advice:
        return ""
    if finding.code == "hot_centre":
        return _feather(replace(finding, turn=turn or finding.turn))
    if turn is not None:
        return ""
    if finding.turn is not None:
        return turn_sentence(finding.turn)
    usual = "{check_lamps}" if finding.explained_by else message.do
    return title(_filled(_ADVICE.get(finding.advice or "", usual), finding))


def headline_of(finding: Finding, turn: Turn | None = None) -> tuple[str, str]:
    """Return a failed finding's two lines of 38 characters; with its turn the lamp goes first."""
    templates = _message(finding).headline or (_message(finding).say,)
    whole = [_fitted(template, finding, shorten=False) for template in templates]
    if turn is not None and finding.advice == "finish":
        return whole[0], _turn_line(turn)
    if turn is not None and finding.code != "hot_centre":
        off = f"{stops_text(turn.needed)} {'low' if turn.needed > 0 else 'high'}."
        both = [f"{title(shown(turn.light))} {off} {one}" for one in whole]
        line = next((one for one in both if len(one) <= HEADLINE_WIDTH), "")
        return line or fitted(f"{{}} {off}".format, turn.light), _turn_line(turn)
    line = next((one for one in whole if len(one) <= HEADLINE_WIDTH), "")
    line = line or _fitted(templates[-1], finding, shorten=True)
    if finding.turn is not None and finding.code != "hot_centre":
        return line, _turn_line(finding.turn)
    lamp = lamp_to_feather(finding)
    if lamp is not None:
        hot = replace(finding, turn=turn or finding.turn)
        return line, fitted(lambda lead: _feather(hot, lead), lamp_name(lamp))
    return line, shortened_line(do(finding, turn))


def told(verdict: Verdict) -> Iterator[tuple[Finding, str]]:
    """Yield each finding with what to do, each turn, solo or lamp that is off told once."""
    left = list(verdict.turns)
    solos: set[str] = set()
    off = {one.of for one in verdict.findings if one.check == "lamp" and one.state == "fails"}
    for finding in verdict.findings:
        turn, advice = verdict.turn_for(finding), do(finding, verdict.turn_for(finding))
        if turn in left and finding.state == "fails" and turn is not None:
            left.remove(turn)
            advice = advice or turn_sentence(turn)
        elif finding.check != "lamp" and finding.explained_by in off:
            advice = ""
        elif finding.advice == "solo":
            advice = "" if advice in solos else advice
            solos.add(advice)
        yield finding, advice


def _turn_line(turn: Turn) -> str:
    return fitted(lambda lamp: turn_sentence(turn, lamp=lamp), _turned_name(turn))


def headline(verdict: Verdict, unjudged: Unjudged | None = None) -> tuple[str, str]:
    """Return what a frame says at a glance, and what to do about it.

    Parameters
    ----------
    verdict
        The answer; its findings stand in their order, worst first.
    unjudged
        What is said of a frame that isn't judged.

    Returns
    -------
    tuple of str
        Two lines of at most 38 characters, free of control characters. A lamp that is to be turned
        is told after misfires, camera, shutter and what is blown, and before all else.
    """
    findings, reason = verdict.findings, verdict.reason
    if verdict.verdict == "off plan" and findings:
        return _off_plan(verdict)
    unseen = [one for one in findings if one.state == "not seen" and one.why != "not_lit"]
    if verdict.verdict == "on plan":
        return _on_plan(findings, unseen)
    if verdict.verdict == "can't tell":
        return _cannot_tell(unseen, reason)
    if verdict.verdict == "unreadable":
        return _unreadable(reason)
    unjudged = unjudged or Unjudged()
    if reason is not None and reason.code == "own_frame" and (line := part_lines(reason, unjudged)):
        return line
    ratio, blown, may_be = unjudged.ratio_stops, unjudged.blown, unjudged.may_be
    parts = [] if ratio is None else [f"lit to shadow {tenths(ratio)}"]
    surely = f"blown {share_text(blown)}" if blown else "nothing blown"
    parts.append(surely if may_be is None else f"up to {share_text(may_be)} may be blown")
    return fitted("{}.".format, ", ".join(parts)), _why_measured(reason)


def _cannot_tell(unseen: Sequence[Finding], reason: Reason | None) -> tuple[str, str]:
    if unseen and unseen[0].code == "no_boxes":
        return headline_of(unseen[0])
    for one in unseen:
        if reason is not None and one.code == reason.code:  # what may be clipped
            return headline_of(one)
    if not unseen:
        why = "" if reason is None else reason_text(reason)
        return "Can't tell.", shortened_line(why) or "Shoot again."
    advice = next((text for one in unseen if (text := do(one))), "Shoot again.")
    return _unseen(unseen, "can't tell"), shortened_line(advice)


_MOVED = ("camera_moved", "off_mark", "something_moved")


def _off_plan(verdict: Verdict) -> tuple[str, str]:
    first = verdict.findings[0]
    can_wait = rank(first) > LAMP_OFF or first.advice == "solo"
    if verdict.turns and (can_wait or verdict.turn_for(first) is not None):
        turn = verdict.turns[0]
        mended = (one for one in verdict.findings if verdict.turn_for(one) is turn)
        return headline_of(next(mended, first), turn)
    return headline_of(first)


def _on_plan(findings: Sequence[Finding], unseen: Sequence[Finding]) -> tuple[str, str]:
    moved = next((one for one in findings if one.code in _MOVED), None)
    if moved is not None:
        return headline_of(moved)
    if unseen:
        return _unseen(unseen, "rest on plan"), "Shoot on."
    edge = next((one for one in findings if one.state == "on the line"), None)
    if edge is not None:
        return fitted("{} on the line, on plan.".format, place_name(edge)), "Shoot on."
    tight = tightest(findings)
    if tight is None:
        return "On plan.", "Shoot on."
    margin, name = tight
    return "On plan.", fitted(lambda of: f"Tightest: {of}, {left_text(margin)} left.", name)


def _unseen(findings: Sequence[Finding], rest: str) -> str:
    names = list(dict.fromkeys(place_name(finding) for finding in findings))
    if len(names) == 1:
        return fitted(lambda of: f"{of} not seen, {rest}.", names[0])
    return f"{len(names)} targets not seen, {rest}."


def _unreadable(reason: Reason | None) -> tuple[str, str]:
    if reason is None or reason.condition is None:
        return "The file can't be read.", "Copy it again, or look at the camera."
    row = condition(reason.condition)
    return fitted("{}.".format, row.short), row.do or "Copy it again, or look at the camera."


def _why_measured(reason: Reason | None) -> str:
    """Return why a frame isn't judged: it plays a part, or the plan asks for nothing."""
    if reason is None:
        return "Measured only: no targets in a plan."
    if reason.code == "open":
        return "Zones open: adopt a frame."
    told = "Not taken as {}." if reason.code == "refused" else "{}: measured only."
    return fitted(told.format, *reason.of[:1])


def tightest(findings: Iterable[Finding]) -> tuple[float, str] | None:
    """Return the least margin in stops that a held target has left, and whose it is."""
    return min(_margins(findings), default=None)


def _margins(findings: Iterable[Finding]) -> Iterator[tuple[float, str]]:
    for finding in findings:
        is_fine = finding.figure in ("uneven", "blotch", "tint")  # limits of a tenth or so
        if finding.state == "holds" and finding.unit in ("stops", "zone") and not is_fine:
            outside = finding.excess
            if outside > -1e9:
                yield max(-outside, 0.0), place_name(finding)


def place_name(finding: Finding) -> str:
    """Return the name of what a finding is about, as one speaks of it."""
    if finding.figure is not None:
        return PAPER_FIGURES[finding.figure]
    if finding.check == "setting" and finding.of in _SETTINGS:
        return _SETTINGS[finding.of][0]
    return finding.of


def reason_text(reason: Reason) -> str:
    """Return why there is no plain verdict, as the record says it."""
    names = ", ".join(reason.of)
    if reason.code == "file":
        known = None if reason.condition is None else condition(reason.condition)
        short = "it can't be read" if known is None else known.short
        return f"{short}: {reason.detail}" if reason.detail else short
    return {
        "no_boxes": f"the camera is {names}, and no boxes of the plan are for that",
        "open": f"targets are open until a frame is adopted: {names}",
        "must_see": f"must be seen, and isn't: {names}",
        "material_not_seen": f"no patch of {names} is seen",
        "may_be_clipped": "more may be blown than the plan allows",
        "nothing_seen": "nothing that the plan asks for is seen",
        "own_frame": f"the plan's own frame: {names}",
        "refused": f"not taken as {names}: {reason.detail}",
    }[reason.code]


def turn_sentence(turn: Turn, *, lamp: str | None = None) -> str:
    """Return what to do at the pack: "Key down 0.4, to -2.4."."""
    name = _turned_name(turn) if lamp is None else lamp
    stands = "" if turn.stops else "are " if turn.together else "is "
    return title(f"{name} {stands}{turn_words(turn)[0]}.")


def _turned_name(turn: Turn) -> str:
    """Return what is turned, as one speaks of it; lamps on one pack are all named."""
    return listed([lamp_name(turn.light), *map(lamp_name, turn.together)])


def turn_words(turn: Turn) -> tuple[str, str]:
    """Return what to do at a lamp without naming it: "down 0.4, to -2.4", and in short "down 0.4".

    A lamp that ends before the turn is done is said to be at that end, with what else helps.
    """
    way = f"{'down' if turn.stops < 0 else 'up'} {stops_text(turn.stops)}"
    if turn.limit is not None:
        end, remedy = _ENDS[turn.limit]
        if not turn.stops:
            return f"at {end}: {remedy}", f"at {end}"
        return f"{way} to {end}, {remedy}", f"{way} to {end}"
    return (way if turn.shown is None else f"{way}, {turn.shown}"), way


_ENDS = {"full": ("full", "move it nearer"), "least": ("its least", "move it back")}


def dial_headline(turns: Sequence[Turn], others: int = 0, *, unmet: int) -> tuple[str, str]:
    """Return what to turn, and whether the targets, of which `unmet` are not, are met then.

    `others` counts what else is to be changed: camera, places, gels, lamps off.
    """
    line = f"Turn {len(turns)} lamps." if turns else "Leave every lamp as it is."
    if others:
        lamps = f"turn {len(turns)} lamp{'s' * (len(turns) > 1)}, " if turns else ""
        line = title(f"{lamps}change {others} thing{'s' * (others > 1)}.")
    elif len(turns) == 1:
        line = fitted(lambda lamp: turn_sentence(turns[0], lamp=lamp), lamp_name(turns[0].light))
    many = {0: "Every target is met then.", 1: "One target stays unmet."}
    return line, many.get(unmet, f"{unmet} targets stay unmet.")


def shortened_line(text: str) -> str:
    """Return any text as a line of the headline."""
    return fitted("{}".format, text) if text else ""


def _message(finding: Finding) -> Message:
    if finding.check == "patch" and finding.code in ("over", "under") and finding.cause == "sitter":
        return STEADY
    if finding.advice == "finish" and finding.code in FINISH:
        return FINISH[finding.code]
    return MESSAGES[(finding.check, finding.code)]


def _filled(template: str, finding: Finding) -> str:
    return template.format_map(_Fields(finding))


def _fitted(template: str, finding: Finding, *, shorten: bool) -> str:
    fields = _Fields(finding)
    used = [name for name in _NAMES if f"{{{name}}}" in template]
    names = [fields[name] for name in used]

    def build(*short: str) -> str:
        return template.format_map(_Fields(finding, **dict(zip(used, short, strict=True))))

    return fitted(build, *names) if shorten else title(build(*names))


class _Fields(dict[str, str]):
    """The fields of one finding's sentences, each worked out when a template asks for it."""

    def __init__(self, finding: Finding, **known: str) -> None:
        super().__init__(known)
        self._finding = finding

    def __missing__(self, key: str) -> str:
        return _FIELDS[key](self._finding)


def _setting_text(finding: Finding, *, found: bool) -> str:
    knocked = finding.detail.knocked
    if knocked is None:
        return "another value"
    return _SETTINGS[knocked.setting][1](knocked.found if found else knocked.planned)


def _all_off(finding: Finding) -> str:
    """Return what a knocked setting does to every tone; a shutter does nothing to a flash."""
    knocked = finding.detail.knocked
    if knocked is None:
        return ""
    if knocked.setting == "shutter":
        return "Shutter "
    stops_of = aperture_stops if knocked.setting == "f_number" else iso_stops
    if not knocked.found or not knocked.planned:
        return ""
    stops = stops_of(knocked.planned, knocked.found)
    return f"All {stops_text(stops)} {over_or_under(stops)}: "


def _lamps_to_check(finding: Finding) -> str:
    lamps = (finding.explained_by,) if finding.explained_by else finding.detail.lamps[:2]
    if not lamps:
        return "Shoot again to be sure of the lamp."
    template = "Check the {}." if len(lamps) == 1 else "Check {} and {}."
    return fitted(template.format, *map(lamp_name, lamps))


def _solo_to_shoot(finding: Finding) -> str:
    """Return which lamp is to be shot alone, so that its turn can be told from then on."""
    at = "" if finding.detail.shown is None else f" at {finding.detail.shown}"
    lamp = lamp_name(finding.detail.lamps[0])
    whole = f"Shoot the {lamp} alone{at}, mark it."
    return whole if len(whole) <= HEADLINE_WIDTH else fitted(f"Shoot {{}} alone{at}.".format, lamp)


def lamp_to_feather(finding: Finding) -> str | None:
    """Return the lamp whose hot centre a finding tells of; None where it isn't known, or none."""
    if finding.code != "hot_centre":
        return None
    if finding.turn is not None:
        return finding.turn.light
    return finding.detail.lamps[0] if finding.detail.lamps else None


def feather_words(finding: Finding) -> str:
    """Return what to do at that lamp without naming it: "feather, or down 0.3, to -2.3"."""
    if finding.advice == "feather":
        return "feather it"
    if finding.turn is not None and finding.turn.limit is None:
        return f"feather, or {turn_words(finding.turn)[0]}"
    return f"feather, {'or' if finding.turn is None else 'is'} {_less(finding)}"


def _less(finding: Finding) -> str:
    """Return what else than feathering helps: the lamp's turn, else the light that is too much."""
    turn = finding.turn
    return f"down {stops_text(finding.difference or 0.0)}" if turn is None else turn_words(turn)[1]


def _feather(finding: Finding, lead: str | None = None) -> str:
    """Return what takes a hot centre: feather first, powder on skin, a turn where that is free.

    `lead` is how the lamp is called; by its whole name for None.
    """
    known, is_skin = lamp_to_feather(finding), finding.detail.material == "skin"
    if known is None:
        return "Feather the lamp that lights it."
    lead = lead or lamp_name(known)
    if finding.advice == "feather":
        return f"Feather the {lead} or powder it." if is_skin else f"Feather the {lead}."
    if finding.turn is not None and finding.turn.limit is not None:
        return f"Feather the {lead}, it is {_less(finding)}."
    powdered = f"Feather {lead}, powder, or {lead} {_less(finding)}."
    twice = f"Feather the {lead}, or {lead} {_less(finding)}."
    ways = (powdered, twice) if is_skin else (twice,)
    once = f"Feather the {lead}, or {_less(finding)}."
    return next((way for way in ways if len(way) <= HEADLINE_WIDTH), once)


def _paper_lamps(finding: Finding) -> str:
    lamps = finding.detail.lamps
    many = "both paper lamps" if len(lamps) == 2 else "all paper lamps"
    return f"the {lamp_name(lamps[0])}" if len(lamps) == 1 else many


def _shoot_slower(finding: Finding) -> str:
    """Ask for a frame at the next slower mark: it shows whether the flash's tail is cut off."""
    time_s = finding.detail.shutter_s
    at = f"{shutter_text(time_s)}, leave the lamps" if time_s else "a slower shutter"
    return f"Shoot one at {at}."


def _slower_than_sync(finding: Finding) -> str:
    shutter_s = finding.detail.shutter_s
    return f"Shutter to {shutter_text(shutter_s)} or slower." if shutter_s else "Slower shutter."


def _stay_slower(finding: Finding) -> str:
    return f"Shutter to {shutter_text(finding.detail.shutter_s or 1.0)}, leave the paper lamps."


def _way(finding: Finding) -> str:
    right, down = finding.detail.moved or (0.0, 0.0)
    if not right and not down:
        return "moved"
    if abs(down) > abs(right):
        return "dropped" if down > 0 else "rose"
    return "went right" if right > 0 else "went left"


def _far(finding: Finding) -> str:
    moved = finding.detail.moved
    return percent_text(
        finding.measured or 0.0 if moved is None else max(abs(part) for part in moved)
    )


def _to_side(finding: Finding) -> str:
    """Return which way, as the camera sees it, and how far, a share of the frame."""
    right, down = finding.detail.moved or (0.0, 0.0)
    if abs(right) >= abs(down):
        side = "to camera right" if right > 0 else "to camera left"
    else:
        side = "lower" if down > 0 else "higher"
    return f"{side}, {percent_text(max(abs(right), abs(down)))}"


def _boxes_follow(finding: Finding) -> str:
    """Return which boxes went with the picture."""
    patches = [shown(name) for name in finding.detail.patches]
    return fitted("Boxes of {} follow.".format, listed(patches))


def _not_read(finding: Finding) -> str:
    """Return the lamps that can't be read while the sitter is off his mark."""
    names = ", ".join(shown(lamp) for lamp in finding.detail.lamps)
    return fitted("{} not read.".format, names) if names else "Shoot on."


def _secure(finding: Finding) -> str:
    """Return what to do: a lamp that sinks over a person is a danger before it is a fault."""
    held, of_it = finding.detail.held or "boom", finding.detail.overhead
    return f"Step away. Check the {held}, secure it." if of_it else f"Check its {held}."


def _shift(finding: Finding) -> str:
    """Return how far and which way the picture moved, as far as it counts."""
    right, down = finding.detail.moved or (0.0, 0.0)
    scale = finding.detail.scale or 1.0
    parts = [
        f"{100 * abs(size):.0f} % {way[size < 0]}"
        for size, way in ((right, ("right", "left")), (down, ("down", "up")))
        if abs(size) >= _LEAST_SHIFT
    ]
    if abs(scale - 1.0) > _LEAST_SCALE:
        parts.append(f"{100 * abs(scale - 1.0):.0f} % {'larger' if scale > 1.0 else 'smaller'}")
    return f": {', '.join(parts)}" if parts else ""


def _leave_out(finding: Finding) -> str:
    wait = ", and wait longer for ready" if (finding.measured or 0.0) < 0.0 else ""
    return f"Leave this frame out{wait}."


_LEAST_SHIFT, _LEAST_SCALE = 0.005, 0.025
"""Share of the picture, and change of size, from which a move is told."""

_ADVICE = {
    "shoot_slower": "{shoot_slower}",
    "stay_slower": "{stay_slower}",
    "leave_lamps": "Sitter has turned. Leave the lamps.",
    "way_back": "{way_back}",
    "secure": "{secure}",
    "feather": "{feather}",
    "tilt_up": "Tilt {paper_lamps} up a little.",
    "tilt_down": "Tilt {paper_lamps} down a little.",
    "turn_in": "Turn {paper_lamps} in a little.",
    "turn_out": "Turn {paper_lamps} out a little.",
    "feather_paper": "Feather the {lead} off the paper.",
    "solo": "{solo}",
    "ask": "Was that you? Say: take yes.",
    "wait": "One frame only: shoot on.",
}
_FIELDS: dict[str, Callable[[Finding], str]] = {
    "of": lambda one: shown(one.of),
    "held": lambda one: one.detail.camera_held or "",
    "lit": lambda one: shown(one.lit or one.of),
    "shadow": lambda one: shown(one.shadow or one.of),
    "lamp": lambda one: lamp_name(one.of),
    "off": lambda one: stops_text(one.difference or 0.0),
    "over": lambda one: over_or_under(one.difference or 0.0),
    "measured": lambda one: stops_text(one.measured or 0.0),
    "planned": lambda one: stops_text(one.planned or 0.0),
    "tenths": lambda one: f"{one.measured or 0.0:.1f}",
    "hundredths": lambda one: f"{one.measured or 0.0:.2f}",
    "share": lambda one: share_text(one.measured or 0.0),
    "most": lambda one: share_text(one.detail.share or 0.0),
    "snr": lambda one: f"{one.measured or 0.0:.0f}",
    "snr_planned": lambda one: f"{one.planned or 0.0:.0f}",
    "figure": lambda one: FIGURES[one.figure or "zone"],
    "moved": lambda one: moved_text(one.measured or 0.0, one.uncertainty),
    "said": lambda one: moved_text(one.planned or 0.0),
    "up": lambda one: up_or_down(one.measured or 0.0),
    "more": lambda one: "more" if (one.measured or 0.0) > 0 else "less",
    "shift": _shift,
    "went": lambda one: _shift(one).removeprefix(": "),
    "to_side": _to_side,
    "boxes_follow": _boxes_follow,
    "not_read": _not_read,
    "paper_lamps": _paper_lamps,
    "lead": lambda one: lamp_name(one.detail.lamps[0] if one.detail.lamps else one.of),
    "turned": lambda one: moved_text(one.detail.turned_stops or 0.0),
    "shift_hundredths": lambda one: f"{abs(one.measured or 0.0):.2f}",
    "steady": lambda one: ", lamps steady" if one.detail.lamps_steady else "",
    "leave_out": _leave_out,
    "at": lambda one: "" if one.detail.at is None else f", {place_text(one.detail.at)}",
    "beside": lambda one: "" if one.detail.near is None else f" by the {shown(one.detail.near)}",
    "where": lambda one: (
        _FIELDS["beside"](one) or f" {where_text(one.detail.where)}" if one.detail.where else ""
    ),
    "side": lambda one: str(one.detail.side),
    "count": lambda one: (
        f"{one.detail.count} pinpoint{'s cover' if one.detail.count != 1 else ' covers'}"
    ),
    "since": lambda one: f"{one.detail.since_s or 0.0:.1f}",
    "setting": lambda one: _SETTINGS[one.of][0],
    "found": lambda one: _setting_text(one, found=True),
    "plan": lambda one: _setting_text(one, found=False),
    "all_off": _all_off,
    "check_lamps": _lamps_to_check,
    "check_power": lambda one: (
        f"Check it is at {at}" if (at := one.detail.shown) else "Check its power"
    ),
    "solo": _solo_to_shoot,
    "feather": _feather,
    "shoot_slower": _shoot_slower,
    "slower_than_sync": _slower_than_sync,
    "stay_slower": _stay_slower,
    "way": _way,
    "far": _far,
    "gives": lambda one: percent_text(one.planned or 0.0),
    "way_back": lambda one: f"Sitter back {_to_side(one)}.",
    "secure": _secure,
}
"""How each field of a template is worked out."""

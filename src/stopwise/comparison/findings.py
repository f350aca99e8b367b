"""What a comparison means: settings, framing, lamps, patches and colour, each as a finding."""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass
from typing import TYPE_CHECKING

from stopwise.comparison.finding import Difference
from stopwise.comparison.framing import LEAST_SCALE
from stopwise.comparison.lamp_changes import lamp_finding, lamp_words
from stopwise.comparison.statistics import spread
from stopwise.findings import state_of
from stopwise.nominal import say_f_number, say_shutter
from stopwise.wording import stops_text, title

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from typing import Any

    from stopwise.comparison.changes import Known, PatchChange
    from stopwise.comparison.framing import Framing
    from stopwise.comparison.lamp_changes import LampChange
    from stopwise.comparison.settings import SettingsChange
    from stopwise.comparison.sides import Side
    from stopwise.findings import Cause

LEAST_PATCH_STOPS = 0.2
"""Stops that a patch may differ from what its lamps explain: a still sitter's breath."""

AGREE_STOPS = 0.15
"""Patches that changed within this of their median changed as one."""

TINT_STOPS = 0.05
"""Change of R/G or B/G from which a lamp's colour is said to shift with its power."""

_LEADS = 0.6
_FEWEST = 3
_LEAST_OFFSET = 0.1
_MOVED_LAMP = 0.1
_SURE = 2.0
_ORDER = {"fails": 0, "on the line": 1, "not seen": 2, "holds": 3}


@dataclass(frozen=True, slots=True)
class Seen:
    """All that a comparison saw, before it is put in words."""

    before: Side
    after: Side
    settings: SettingsChange
    patches: Mapping[str, PatchChange]
    lamps: Mapping[str, LampChange]
    framing: Framing
    known: Known


def findings_of(seen: Seen) -> tuple[Difference, ...]:
    """Return the findings of a comparison, worst first."""
    found = [
        *_settings(seen),
        *_framing(seen),
        *(lamp_finding(name, change) for name, change in seen.lamps.items()),
        *_patches(seen),
        *_common(seen),
        *_colours(seen),
    ]
    return tuple(sorted(found, key=lambda finding: _ORDER[finding.state]))


def _settings(seen: Seen) -> Iterator[Difference]:
    change = seen.settings
    for key, stops, name, text in (
        ("iso", change.iso_stops, "ISO", _iso),
        ("f_number", change.aperture_stops, "Aperture", say_f_number),
        ("shutter_s", change.shutter_stops, "Shutter", say_shutter),
    ):
        was, now = (_setting(side, key) for side in (seen.before, seen.after))
        if was is None or now is None or abs(stops) < 1e-6:
            continue
        more = "more" if stops > 0 else "less"
        say = f"{name} {text(was)} to {text(now)}: {stops_text(stops)} {more}, "
        of = "shutter" if key == "shutter_s" else key
        yield _plain("setting", of, stops, say + _taken_out(key, seen), cause=None)


def _taken_out(key: str, seen: Seen) -> str:
    if key != "shutter_s" or seen.known.all_steady:
        return "taken out."
    if seen.known.shares:
        return "taken out of what burns all the time."
    return "left in: what of the light is ambient isn't known."


def _setting(side: Side, key: str) -> Any:
    return (side.exposure or {}).get(key)


def _iso(iso: float) -> str:
    return f"{iso:.0f}"


def _framing(seen: Seen) -> Iterator[Difference]:
    framing = seen.framing
    if not framing.moved:
        return
    size = math.hypot(framing.right, framing.down)
    yield Difference(
        check="setting",
        of="framing",
        measured=size,
        planned=None,
        within=None,
        unit="fraction",
        state="on the line",
        say=f"{_MOVED[framing.who]}{_way(framing)}.",
        do=_MEANS[framing.who],
        cause=_MOVERS[framing.who],
    )


_MOVERS: Mapping[str, Cause] = {"camera": "camera", "sitter": "sitter", "unknown": "unknown"}
_MOVED = {
    "camera": "The framing changed",
    "sitter": "The sitter moved",
    "unknown": "Sitter or framing moved",
}
_MEANS = {
    "camera": "Patches that don't follow hold other stuff now and aren't compared.",
    "sitter": "His patches moved with him; the lamps are no cause of that.",
    "unknown": "Hold patch figures loosely: they may lie in another part of the light.",
}


def _way(framing: Framing) -> str:
    parts = [
        f"{100 * abs(size):.0f} % {way[size < 0]}"
        for size, way in ((framing.right, ("right", "left")), (framing.down, ("down", "up")))
        if abs(size) >= 0.005
    ]
    if abs(framing.scale - 1.0) > LEAST_SCALE:
        larger = "larger" if framing.scale > 1.0 else "smaller"
        parts.append(f"{100 * abs(framing.scale - 1.0):.0f} % {larger}")
    return f": {', '.join(parts)}" if parts else ""


def _patches(seen: Seen) -> Iterator[Difference]:
    """Yield each patch's finding, but for those that a lamp explains: it has one of its own."""
    for name, change in seen.patches.items():
        expected = change.expected if seen.known.turned is not None else _by_lamps(seen, name)
        if change.stops is None or expected is None:
            continue
        limit = max(LEAST_PATCH_STOPS, _SURE * (change.uncertainty or 0.0))
        off = change.stops - expected
        state = state_of(off, (-limit, limit), None)
        cause = _cause(seen, name) if state == "fails" else None
        if cause == "lamp":
            continue
        yield Difference(
            check="patch",
            of=name,
            measured=change.stops,
            planned=expected,
            within=(-limit, limit),
            unit="stops",
            state=state,
            say=_say_patch(name, change.stops, off, cause),
            do="Sitter has turned. Leave the lamps." if cause == "sitter" else "",
            cause=cause,
            uncertainty=change.uncertainty,
        )


def _say_patch(name: str, stops: float, off: float, cause: Cause | None) -> str:
    way = "unchanged" if abs(stops) < 0.05 else f"{stops_text(stops)} {_up(stops)}"
    if cause is None:
        return f"{title(name)} {way}."
    side = "over" if off > 0 else "under"
    return f"{title(name)} {way}, {stops_text(off)} {side} what its lamps gave."


def _by_lamps(seen: Seen, name: str) -> float | None:
    """Return what a patch should have changed by, from its lamps as they were read."""
    shares = seen.known.shares.get(name)
    if not shares:
        return None
    total = 0.0
    for lamp, share in shares.items():
        change = seen.lamps.get(lamp)
        if change is not None and change.went_out:
            continue
        if lamp != "ambient" and (change is None or change.stops is None):
            return None
        stops = 0.0 if change is None or change.stops is None else change.stops
        total += share * math.pow(2.0, stops)
    return math.log2(total / sum(shares.values())) if total > 0.0 else None


def _cause(seen: Seen, name: str) -> Cause:
    """Return the cause of a patch that isn't where the turns put it: lamps first, then sitter."""
    by_lamps = _by_lamps(seen, name)
    change = seen.patches[name]
    if by_lamps is None:
        return "unknown"
    off = abs((change.stops or 0.0) - by_lamps)
    if off <= max(LEAST_PATCH_STOPS, _SURE * (change.uncertainty or 0.0)):
        return "lamp"
    return "sitter" if change.follows else "unknown"


def _common(seen: Seen) -> Iterator[Difference]:
    """Say once, where no solos tell lamps apart, that all patches changed alike."""
    changes = [one.stops for one in seen.patches.values() if one.stops is not None]
    if seen.lamps or len(changes) < _FEWEST:
        return
    middle = statistics.median(changes)
    if abs(middle) < _LEAST_OFFSET or max(abs(one - middle) for one in changes) > AGREE_STOPS:
        return
    say = f"Everything {stops_text(middle)} {_up(middle)}, settings taken out."
    yield _plain("exposure", "frame", middle, say, cause="unknown")


def _colours(seen: Seen) -> Iterator[Difference]:
    for lamp, change in seen.lamps.items():
        if change.stops is None or abs(change.stops) < _MOVED_LAMP:
            continue
        led = [
            seen.patches[name]
            for name, shares in seen.known.shares.items()
            if shares.get(lamp, 0.0) >= _LEADS and name in seen.patches
        ]
        for key, ratio, ways in _COLOURS:
            shifts = [shift for one in led if (shift := getattr(one, key)) is not None]
            if shifts:
                yield from _colour(lamp, change.stops, (key, ratio, ways), shifts)


_COLOURS = (
    ("red_green", "R/G", ("less red", "redder")),
    ("blue_green", "B/G", ("less blue", "bluer")),
)


def _colour(
    lamp: str, turned: float, colour: tuple[str, str, tuple[str, str]], shifts: list[float]
) -> Iterator[Difference]:
    key, ratio, ways = colour
    shift = statistics.median(shifts)
    doubt = spread(shifts) / math.sqrt(len(shifts)) if len(shifts) > 1 else None
    state = state_of(shift, (-TINT_STOPS, TINT_STOPS), doubt)
    if state == "holds":
        return
    lamp_turned = f"{title(lamp_words(lamp))} {_up(turned)} {stops_text(turned)}"
    yield Difference(
        check="lamp",
        of=f"{lamp} {key}",
        measured=shift,
        planned=0.0,
        within=(-TINT_STOPS, TINT_STOPS),
        unit="stops",
        state=state,
        say=f"{lamp_turned}: its light {abs(shift):.2f} {ways[shift > 0]} ({ratio}).",
        do="Level its colour afterwards, or turn it less and move the lamp.",
        cause="lamp" if state == "fails" else None,
        uncertainty=doubt,
    )


def _plain(check: Any, of: str, measured: float, say: str, *, cause: Cause | None) -> Difference:
    return Difference(
        check=check,
        of=of,
        measured=measured,
        planned=None,
        within=None,
        unit="stops",
        state="holds",
        say=say,
        cause=cause,
    )


def _up(stops: float) -> str:
    return "up" if stops > 0 else "down"

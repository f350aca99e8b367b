"""The call line: two lines of at most 38 characters, first what, then what to do."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from stopwise.report.calls import call_of, urgency
from stopwise.report.scene import Scene
from stopwise.report.words import fitted, left_text, shortened, shown, tenths
from stopwise.wording import CALL_WIDTH, OWN_FRAME, share_text

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from stopwise.plan.model import Plan

Record = dict[str, Any]
"""One frame's JSON record, as the ledger keeps it."""

_OPEN = frozenset(("not_lit",))
"""Conditions of a target that waits: nothing is wrong, and nothing is said."""


def call_lines(
    record: Record,
    *,
    plan: Plan | None = None,
    powers: Mapping[str, float] | None = None,
    since_last_s: float | None = None,
) -> tuple[str, str]:
    """Return what a frame's record says at a glance, and what to do about it.

    Parameters
    ----------
    record
        The frame's JSON record.
    plan
        The plan that it was judged by: gives lamps' steps, scales and powers.
    powers
        Each lamp's power now, stops below full, where a take has turned it since the plan.
    since_last_s
        Seconds since the frame before, for a lamp that had not recycled.

    Returns
    -------
    tuple of str
        Two lines of at most 38 characters, free of control characters.
    """
    scene = Scene(record=record, plan=plan, powers=powers or {}, since_last_s=since_last_s)
    say, do = _BY_VERDICT.get(record.get("verdict", ""), _measured)(scene)
    return shortened(say, CALL_WIDTH), shortened(do, CALL_WIDTH)


def worst_finding(record: Record) -> dict[str, Any] | None:
    """Return the failed finding that is called, or None: what stops a shoot goes before stops."""
    failed = [finding for finding in record.get("findings", ()) if finding["state"] == "fails"]
    return min(failed, key=urgency, default=None)


def _off_plan(scene: Scene) -> tuple[str, str]:
    finding = worst_finding(scene.record)
    return call_of(finding, scene) if finding else ("Off plan.", "See the findings.")


def _on_plan(scene: Scene) -> tuple[str, str]:
    findings = scene.record.get("findings", ())
    unseen = [f["of"] for f in findings if f["state"] == "not seen" and f.get("why") not in _OPEN]
    if unseen:
        return _unseen_sentence(unseen, "rest on plan"), "Shoot on."
    edge = [f["of"] for f in findings if f["state"] == "on the line"]
    if edge:
        return fitted("{} on the line, on plan.".format, place_name(edge[0])), "Shoot on."
    tight = tightest(findings)
    if tight is None:
        return "On plan.", "Shoot on."
    margin, name = tight
    return "On plan.", fitted(lambda of: f"Tightest: {of}, {left_text(margin)} left.", name)


def _unseen_sentence(names: Sequence[str], rest: str) -> str:
    if len(set(names)) == 1:
        return fitted(lambda of: f"{of} not seen, {rest}.", place_name(names[0]))
    return f"{len(set(names))} targets not seen, {rest}."


def tightest(findings: Sequence[Mapping[str, Any]]) -> tuple[float, str] | None:
    """Return the least margin in stops that a held target has left, and whose it is."""
    margins = [
        (margin, place_name(finding["of"]))
        for finding in findings
        if finding["state"] == "holds" and (margin := _margin(finding)) is not None
    ]
    return min(margins, default=None)


def _margin(finding: Mapping[str, Any]) -> float | None:
    if finding["unit"] not in ("stops", "zone") or finding["of"] in _FINE:
        return None
    if finding["measured"] is None or finding["planned"] is None or not finding["within"]:
        return None
    off = finding["measured"] - finding["planned"]
    low, high = finding["within"]
    sides = [high - off] if high is not None else []
    sides += [off - low] if low is not None else []
    return max(min(sides), 0.0) if sides else None


def place_name(of: str) -> str:
    """Return the name of what a finding is about, as one speaks of it."""
    return _PLACES.get(of, of)


def _cant_tell(scene: Scene) -> tuple[str, str]:
    findings = scene.record.get("findings", ())
    unseen = [f for f in findings if f["state"] == "not seen" and f.get("why") not in _OPEN]
    if not unseen:
        return "Can't tell.", shown(scene.record.get("reason") or "") or "Shoot again."
    do = next((f["do"] for f in unseen if 0 < len(f["do"]) <= CALL_WIDTH), "")
    return _unseen_sentence([f["of"] for f in unseen], "can't tell"), shown(do) or "Shoot again."


def _unreadable(scene: Scene) -> tuple[str, str]:
    reason = shown(scene.record.get("reason") or "the file can't be read")
    short = reason.partition(":")[0]
    for words, do in _FILE_CALLS.items():
        if short == words:
            return fitted("{}.".format, short), do
    return fitted("{}.".format, short), "Copy it again, or look at the camera."


def _measured(scene: Scene) -> tuple[str, str]:
    ratio = scene.record.get("ratio") or {}
    clipping = scene.record.get("clipping") or {}
    blown = sum(area["fraction"] for area in clipping.get("areas", ()))
    parts = [] if ratio.get("stops") is None else [f"lit to shadow {tenths(ratio['stops'])}"]
    parts.append(f"blown {share_text(blown)}" if blown else "nothing blown")
    return fitted("{}.".format, ", ".join(parts)), _why_measured(scene)


def _why_measured(scene: Scene) -> str:
    """Return why a frame isn't judged: it plays a part in the plan, or the plan has no target."""
    _, _, part = shown(scene.record.get("reason") or "").partition(f"{OWN_FRAME}: ")
    return fitted("{}: measured only.".format, part) if part else _NO_TARGETS


_NO_TARGETS = "Measured only: no targets in a plan."

_FINE = frozenset(("backdrop uneven", "backdrop blotch", "backdrop tint"))
"""Targets whose whole limit is less than a tenth or so: what is left of it says nothing."""

_PLACES = {
    "backdrop zone": "paper",
    "backdrop left_right": "paper sides",
    "backdrop falloff": "paper falloff",
    "backdrop uneven": "paper evenness",
    "backdrop blotch": "paper blotch",
    "backdrop tint": "paper tint",
    "f_number": "aperture",
    "iso": "ISO",
}

_FILE_CALLS = {
    "the file is empty": "Copy it again.",
    "not a camera raw file": "Keep other files out of the folder.",
    "the file is cut short": "Wait, or copy it again.",
    "all photosites hold one value": "Copy it again from the card.",
    "a raw file of a kind that isn't read": "Set the camera to a full raw format.",
    "a reduced raw without a mosaic": "Set the camera to full-size raw.",
    "the pixel data is damaged": "Copy it again from the card.",
    "the decoder failed on it": "Shoot on, keep the file.",
    "it claims a size that can't be true": "Copy it again from the card.",
    "it can't be opened": "Check its permissions.",
}
"""What to do about a file, by the short text of its condition."""

_BY_VERDICT = {
    "on plan": _on_plan,
    "off plan": _off_plan,
    "can't tell": _cant_tell,
    "unreadable": _unreadable,
    "measured": _measured,
}

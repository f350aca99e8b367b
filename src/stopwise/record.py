"""The record of one frame, typed; and the one adapter that writes it as JSON and reads it again."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence  # noqa: TC003 - JSON is read by these types
from dataclasses import asdict, dataclass, field, replace
from functools import cache
from typing import TYPE_CHECKING, Any

from stopwise import messages
from stopwise.codes import MESSAGES
from stopwise.conditions import condition
from stopwise.errors import LedgerError, Unreadable
from stopwise.findings import Advice, Answer, Finding, Reason, Turn, Verdict
from stopwise.frame import Camera, Exposure  # noqa: TC001
from stopwise.lamps.outputs import LampReading  # noqa: TC001
from stopwise.measurement.figures import (
    BackdropReading,
    Clipping,
    Levels,
    PatchReading,
    Ratio,
    ShutterReading,
    Zones,
    part_json,
    tidy,
)
from stopwise.part_lines import Unjudged

if TYPE_CHECKING:
    from pathlib import Path

    from pydantic import TypeAdapter

    from stopwise.measurement.figures import Measurement

SCHEMA = 1
"""Version of the record's shape."""


@dataclass(frozen=True, slots=True)
class Level:
    """What brings a frame level with another.

    Attributes
    ----------
    to
        The other frame's file.
    stops, uncertainty
        Exposure to add, camera settings and all.
    red_green, blue_green
        Stops to add to R/G and B/G; None where not seen.
    patches
        How many patches say so.
    """

    to: str
    stops: float
    uncertainty: float
    red_green: float | None
    blue_green: float | None
    patches: int


@dataclass(frozen=True, slots=True)
class Record:
    """All that is kept of one frame. Whatever its file doesn't give is None.

    Attributes
    ----------
    file
        The path as given, or relative to the watched folder.
    verdict
        `measured` without a plan or a target, while zones are open, and of the plan's own frames;
        `can't tell` where what must be seen isn't.
    reason
        Why it can't be told or read.
    findings
        Worst first.
    turns
        What to turn so that the next frame is on plan: one answer for all lamps, the turn that
        alone gains most first.
    sha256
        Of the file's bytes; None until they are hashed, which `check` does for a ledger only.
    take
        The take's number.
    look
        The look that is worn.
    in_run
        Whether the frame counts in its take's run; None where it says nothing of it.
    level
        What brings it level with its look's adopted frame, or else the reference; `ledger export`
        works it out again from the frame that each look stood on last.
    camera, exposure
        What the file says.
    size
        Width and height of the upright picture, photosites.
    levels, clipping, zones, patches, backdrop, shutter
        What was measured.
    ratio
        The plan's first, or the subject split in lit and shadow.
    lamps
        Each lamp's output against its own solo; None without solos.
    timing_ms
        Milliseconds that each step took.
    """

    file: str
    verdict: Answer
    reason: Reason | None = None
    findings: tuple[Finding, ...] = ()
    turns: tuple[Turn, ...] = ()
    sha256: str | None = None
    take: int | None = None
    look: str | None = None
    in_run: bool | None = None
    level: Level | None = None
    camera: Camera | None = None
    exposure: Exposure | None = None
    size: tuple[int, int] | None = None
    levels: Levels | None = None
    clipping: Clipping | None = None
    zones: Zones | None = None
    patches: Mapping[str, PatchReading] = field(default_factory=dict)
    ratio: Ratio | None = None
    backdrop: BackdropReading | None = None
    shutter: ShutterReading | None = None
    lamps: Mapping[str, LampReading] | None = None
    timing_ms: Mapping[str, float] = field(default_factory=dict)

    @property
    def plays_a_part(self) -> bool:
        """Whether it is, or was meant to be, one of the plan's own frames: it isn't judged."""
        return self.reason is not None and self.reason.code in ("own_frame", "refused")

    @property
    def headline(self) -> tuple[str, str]:
        """Its two lines, 38 characters at most: first what, then what to do."""
        areas = () if self.clipping is None else self.clipping.areas
        zones = {name: one.zone for name, one in self.patches.items()}
        if self.backdrop is not None:
            zones["paper"] = self.backdrop.zone
        unjudged = Unjudged(
            ratio_stops=None if self.ratio is None else self.ratio.stops,
            blown=sum(area.fraction for area in areas),
            may_be=self.clipping.may_be[1] if self.clipping and self.clipping.may_be else None,
            zones=zones,
        )
        return messages.headline(self.answer, unjudged)

    @property
    def answer(self) -> Verdict:
        """Verdict, findings, reason and turns as one."""
        return Verdict(self.verdict, self.findings, self.reason, self.turns)

    def with_verdict(self, verdict: Verdict) -> Record:
        """Return the record with another answer."""
        return replace(
            self,
            verdict=verdict.verdict,
            findings=verdict.findings,
            reason=verdict.reason,
            turns=verdict.turns,
        )

    def without_turns(self, lamps: Collection[str], *, advice: Advice | None = None) -> Record:
        """Return the record with no turn of some lamps; `advice` is then for what they explain.

        What others were to make up for goes with what mends: no turn is left that mends nothing.
        """
        gone = {turn.light for turn in self.turns if turn.light in lamps}
        findings = tuple(
            replace(one, advice=advice) if one.explained_by in gone and advice else one
            for one in self.findings
        )
        turns = tuple(turn for turn in self.turns if turn.light not in gone)
        if gone and not any(turn.explains for turn in turns):
            turns = ()
        return replace(self, findings=findings, turns=turns)

    def to_json(self) -> dict[str, Any]:
        """Return the record as plain JSON: seven digits, every number finite or None."""
        plain = asdict(self)
        plain["findings"] = [
            finding_json(finding, self.answer.turn_for(finding)) for finding in self.findings
        ]
        plain["turns"] = [
            asdict(turn) | {"do": messages.turn_sentence(turn)} for turn in self.turns
        ]
        plain["reason"] = None if self.reason is None else messages.reason_text(self.reason)
        plain["because"] = None if self.reason is None else asdict(self.reason)
        plain |= {"levels": part_json(self.levels), "ratio": part_json(self.ratio)}
        return {"schema": SCHEMA} | {key: tidy(plain[key]) for key in _KEYS}


_KEYS = (
    "file", "sha256", "verdict", "reason", "because", "take", "look", "in_run", "level", "camera",
    "exposure", "size", "levels", "clipping", "zones", "patches", "ratio", "backdrop", "shutter",
    "lamps", "findings", "turns", "timing_ms",
)  # fmt: skip
"""The record's keys in their order."""


def finding_json(finding: Finding, turn: Turn | None = None) -> dict[str, Any]:
    """Return a finding as plain JSON, with its sentences; `turn` is the one that mends it."""
    plain = asdict(finding)
    detail = {key: value for key, value in plain.pop("detail").items() if value not in (None, ())}
    return plain | {
        "say": messages.say(finding),
        "do": messages.do(finding, turn),
        "detail": detail,
    }


def recorded(
    file: str,
    measurement: Measurement,
    verdict: Verdict,
    *,
    take: int | None = None,
    look: str | None = None,
    lamps: Mapping[str, LampReading] | None = None,
) -> Record:
    """Return the record of a frame that was measured.

    Parameters
    ----------
    file, take, look
        What it is called, and when it was shot.
    measurement, verdict
        What was measured, and the answer.
    lamps
        Each lamp's output, where solo frames are known.
    """
    return Record(
        file=file,
        verdict=verdict.verdict,
        reason=verdict.reason,
        findings=verdict.findings,
        turns=verdict.turns,
        take=take,
        look=look,
        camera=measurement.camera,
        exposure=measurement.exposure,
        size=measurement.size,
        levels=measurement.levels,
        clipping=measurement.clipping,
        zones=measurement.zones,
        patches=measurement.patches,
        ratio=measurement.ratios[0] if measurement.ratios else None,
        backdrop=measurement.backdrop,
        shutter=measurement.shutter,
        lamps=lamps,
    )


def unreadable(
    file: str, error: Unreadable, *, take: int | None = None, look: str | None = None
) -> Record:
    """Return the record of a file that gave no pixels to be trusted."""
    reason = Reason("file", detail=error.detail, condition=error.condition.name)
    return Record(file=file, verdict="unreadable", reason=reason, take=take, look=look)


def refuse_unreadable(record: Record, path: Path) -> None:
    """Refuse a frame that gave no pixels to be trusted.

    Raises
    ------
    Unreadable
        If its record says so; `path` is what it is called.
    """
    if record.verdict == "unreadable":
        reason = record.reason or Reason("file")
        raise Unreadable(path, condition(reason.condition or "damaged"), reason.detail)


@cache
def _adapter() -> TypeAdapter[Record]:
    from pydantic import TypeAdapter

    return TypeAdapter(Record)


def record_from_json(row: Mapping[str, Any]) -> Record:
    """Return a record from its JSON, also as earlier versions wrote it.

    Parameters
    ----------
    row
        As :meth:`Record.to_json` gives it; unknown keys are passed over.

    Raises
    ------
    LedgerError
        If it is no record.
    """
    from pydantic import ValidationError

    try:
        return _adapter().validate_python(_as_written_now(row))
    except ValidationError as error:
        first = error.errors()[0]
        what = f"{'.'.join(str(part) for part in first['loc'])}: {first['msg']}"
        cause: Exception = error
    except (AttributeError, KeyError, TypeError, ValueError) as error:
        what, cause = "its parts aren't what a record has", error
    msg = f"{row.get('file')}: its record can't be read: {what}."
    raise LedgerError(msg) from cause


def _as_written_now(row: Mapping[str, Any]) -> dict[str, Any]:
    """Return a record's JSON as this version writes it."""
    plain = {key: row.get(key) for key in _KEYS if row.get(key) is not None}
    plain["reason"] = row.get("because") or _earlier_reason(row)
    findings = [_earlier_finding(one, row) for one in row.get("findings") or ()]
    plain |= {"findings": findings} if "turns" in row else _earlier_turns(findings)
    if clipping := plain.get("clipping"):
        areas = [{"centre": _middle(one["box"])} | one for one in clipping.get("areas") or ()]
        plain["clipping"] = {**clipping, "areas": areas}
    return plain


def record_schema() -> dict[str, Any]:
    """Return the JSON Schema of a record as :meth:`Record.to_json` gives it."""
    schema = _adapter().json_schema()
    properties, parts = schema["properties"], schema["$defs"]
    sentence = {"type": "string"}
    schema["properties"] = {
        "schema": {"const": SCHEMA},
        **{key: properties[key] for key in _KEYS if key in properties},
        "because": properties["reason"],
        "reason": {"anyOf": [sentence, {"type": "null"}]},
    }
    schema["required"] = ["schema", *_KEYS]
    parts["Finding"]["properties"] |= {"say": sentence, "do": sentence}
    parts["Turn"]["properties"] |= {"do": sentence}
    parts["Levels"]["properties"].pop("observed")
    parts["Levels"]["properties"].pop("doubted")
    parts["Ratio"]["properties"]["ratio"] = parts["Ratio"]["properties"].pop("ashman")
    return schema


def _earlier_turns(findings: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Return findings and turns of a row whose findings had a turn each: one for each lamp."""
    turns: dict[str, dict[str, Any]] = {}
    kept = []
    for finding in findings:
        turn = finding.get("turn")
        mended = {} if turn is None else {"turn": None, "explained_by": turn["light"]}
        kept.append({**finding, **mended})
        if turn is not None:
            one = turns.setdefault(turn["light"], {**turn, "explains": []})
            one["explains"].append(finding["of"])
    return {"findings": kept, "turns": list(turns.values())}


def _middle(box: Sequence[float]) -> tuple[float, float]:
    """Return the middle of a box: earlier rows have no centres of their blown areas."""
    return (box[0] + box[2]) / 2.0, (box[1] + box[3]) / 2.0


def _earlier_finding(row: Mapping[str, Any], record: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return a finding's row as it is written now: earlier ones have no codes and older names."""
    if "code" in row:
        return row
    check = "separation" if row["check"] == "apart" else row["check"]
    of, measured, planned = str(row["of"]), row["measured"], row["planned"]
    figure = of.removeprefix("backdrop ") if check == "backdrop" else None
    above, below = _EARLIER_CODES.get(figure or check, ("over", "under"))
    code = above if measured is None or planned is None or measured > planned else below
    if row["state"] == "not seen" and (check, "not_seen") in MESSAGES:
        code = "not_seen"
    elif check == "blocked" and row["unit"] == "SNR":
        code = "noisy"
    elif check == "lamp" and measured is None:
        code = "none_fired" if of == "all" else "out"
    elif check == "shutter" and row["unit"] != "fraction":
        code = "slope"
    detail: dict[str, Any] = {}
    lit = shadow = None
    if check in ("patch", "headroom", "clip", "blocked"):
        detail["patches"] = [of]
    elif check in ("ratio", "separation"):
        lit, shadow = _earlier_pair(of, record)
        detail["patches"] = [one for one in (lit, shadow) if one in (record.get("patches") or ())]
    elif check == "setting" and None not in (measured, planned):
        detail["knocked"] = {"setting": of, "found": measured, "planned": planned}
    elif check == "pinpoints" and record.get("clipping"):
        detail["count"] = record["clipping"]["pinpoints"]["count"]
    elif check == "shutter":
        detail["side"] = (record.get("shutter") or {}).get("edge_side")
    told = {"check": check, "figure": figure, "code": code, "lit": lit, "shadow": shadow}
    return {**row, **told, "detail": detail}


def _earlier_pair(of: str, record: Mapping[str, Any]) -> tuple[str | None, str | None]:
    """Return the two names of the record that a ratio's or a separation's was made of."""
    names = [*(record.get("patches") or ()), "backdrop"]
    pairs = ((lit, shadow) for lit in names for shadow in names if f"{lit} to {shadow}" == of)
    return next(pairs, (None, None))


_EARLIER_CODES = {
    "headroom": ("near_clip", "near_clip"),
    "clip": ("blown", "clear"),
    "blown": ("blown", "clear"),
    "pinpoints": ("blown", "clear"),
    "blocked": ("blocked", "blocked"),
    "ratio": ("too_deep", "too_open"),
    "separation": ("stands_off", "stands_off"),
    "left_right": ("left_over_right", "right_over_left"),
    "falloff": ("too_steep", "too_flat"),
    "uneven": ("uneven", "uneven"),
    "blotch": ("bright_blotch", "dark_blotch"),
    "tint": ("tinted", "tinted"),
    "setting": ("setting", "setting"),
    "shutter": ("edge", "edge"),
    "lamp": ("strong", "weak"),
}
"""Codes above and below what is planned, for findings that were kept before there were codes."""


def _earlier_reason(row: Mapping[str, Any]) -> dict[str, Any] | None:
    """Return the reason of a row that has only its sentence."""
    from stopwise.conditions import CONDITIONS

    told = row.get("reason")
    if told is None:
        return None
    if row.get("verdict") == "unreadable":
        for name, one in CONDITIONS.items():
            if told == one.short or told.startswith(f"{one.short}: "):
                detail = told.removeprefix(one.short).removeprefix(": ")
                return {"code": "file", "detail": detail, "condition": name}
        return {"code": "file", "detail": told}
    for code, start in (("own_frame", "the plan's own frame: "), ("refused", "not taken as ")):
        if told.startswith(start):
            return {"code": code, "of": [told.removeprefix(start)]}
    return {"code": "must_see", "of": [told]}

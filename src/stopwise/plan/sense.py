"""The sense of a plan that is right in form: what its own figures say against each other."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.plan import sense_light, sense_readings, sense_targets

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from stopwise.plan.doubts import Doubt
    from stopwise.plan.model import Plan
    from stopwise.plan.old_keys import OldKey
    from stopwise.plan.source import Source

_CHECKS = (
    sense_light.shutter_doubts,
    sense_targets.camera_doubts,
    sense_light.power_doubts,
    sense_readings.exposure_doubts,
    sense_readings.ratio_doubts,
    sense_light.ambient_doubts,
    sense_light.background_doubts,
    sense_targets.lit_doubts,
    sense_targets.clip_doubts,
    sense_targets.place_doubts,
    sense_targets.ratio_target_doubts,
    sense_targets.separation_doubts,
)


def sense_of(plan: Plan, *, folder: Path | None = None) -> tuple[Doubt, ...]:
    """Return what in a plan doesn't fit together.

    Parameters
    ----------
    plan
        A plan that is right in form.
    folder
        Where the plan lies, to look for the frames that it names; None leaves them.
    """
    found = [doubt for check in _CHECKS for doubt in check(plan)]
    if folder is not None:
        found += sense_targets.file_doubts(plan, folder)
    return tuple(found)


def say_doubts(doubts: Iterable[Doubt], source: Source) -> list[str]:
    """Return a line for each doubt, with its line in the file and in its order."""
    placed = [(source.line(doubt.path), doubt) for doubt in doubts]
    placed.sort(key=lambda pair: pair[0])
    return [f"{source.name}:{line}: {doubt.say} {doubt.do}" for line, doubt in placed]


def say_old_keys(source: Source) -> list[str]:
    """Return a line for each key of before that a file uses."""
    return [f"{source.name}:{one.line}: {say_old_key(one)}" for one in source.old_keys]


def say_old_key(one: OldKey) -> str:
    """Say what a key of before is called now."""
    return f"{one.old} is {one.new} now. It is read, and the next edit writes it so."


def say_plan(plan: Plan) -> str:
    """Return in one line what a plan holds."""
    counts = {
        "lamp": len(plan.lights),
        "patch": len(plan.patches),
        "ratio": len(plan.ratios),
        "look": len(plan.looks),
    }
    told = [f"{n} {_plural(word, n)}" for word, n in counts.items() if n]
    told += ["a backdrop"] if plan.backdrop else []
    return ", ".join(told) or "nothing yet: frames are measured, not judged"


def _plural(word: str, count: int) -> str:
    if count == 1:
        return word
    return f"{word}es" if word.endswith("ch") else f"{word}s"

"""Which frames count: a misfire, a frame of the plan's own or an unreadable one never does."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping


def left_out(record: Mapping[str, Any]) -> str | None:
    """Return why a frame isn't counted in its take's run, None where it is.

    Parameters
    ----------
    record
        Its JSON record.
    """
    if record["verdict"] == "unreadable":
        return "unreadable"
    if (record.get("because") or {}).get("code") in ("own_frame", "refused"):
        return str(record["reason"])
    for finding in record.get("findings") or ():
        if finding["state"] == "fails" and _is_misfire(finding):
            return str(finding["say"])
    return _kept_out(record) if record.get("in_run") is False else None


def _kept_out(record: Mapping[str, Any]) -> str:
    """Return what the watcher said of a lamp in a frame that it kept out of the run."""
    said = (one["say"] for one in record.get("findings") or () if one["check"] == "lamp")
    return str(next(said, "left out of the run as it landed"))


def _is_misfire(finding: Mapping[str, Any]) -> bool:
    """Tell a lamp that gave nothing, or a shutter in the way, from a lamp that is only weak."""
    return finding["check"] == "shutter" or (
        finding["check"] == "lamp" and finding["measured"] is None
    )


def counts(record: Mapping[str, Any]) -> bool:
    """Tell whether a frame is counted."""
    return left_out(record) is None

"""stopwise: how far a studio frame is from its lighting plan, in stops, and which lamp to turn.

The public names load on first use, so that ``import stopwise`` stays light::

    plan = stopwise.load_plan("plan.toml")
    record = stopwise.assess("F0009.dng", plan)  # what `stopwise check` prints

`decode`, `measure` and `judge` are its steps for one frame by itself, without the plan's own
frames: no lamp is named by them.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from stopwise.errors import StopwiseError, Unreadable
    from stopwise.findings import Finding, Verdict
    from stopwise.frame import Frame
    from stopwise.measurement import measure
    from stopwise.measurement.figures import Measurement
    from stopwise.pipeline import assess
    from stopwise.plan import Plan, load_plan
    from stopwise.raw import decode
    from stopwise.record import Record
    from stopwise.verdict import judge

__version__ = "0.1.0"

_HOMES = {
    "Finding": "stopwise.findings",
    "Frame": "stopwise.frame",
    "Measurement": "stopwise.measurement.figures",
    "Plan": "stopwise.plan",
    "Record": "stopwise.record",
    "StopwiseError": "stopwise.errors",
    "Unreadable": "stopwise.errors",
    "Verdict": "stopwise.findings",
    "assess": "stopwise.pipeline",
    "decode": "stopwise.raw",
    "judge": "stopwise.verdict",
    "load_plan": "stopwise.plan",
    "measure": "stopwise.measurement",
}

__all__ = [
    "Finding",
    "Frame",
    "Measurement",
    "Plan",
    "Record",
    "StopwiseError",
    "Unreadable",
    "Verdict",
    "assess",
    "decode",
    "judge",
    "load_plan",
    "measure",
]


def __getattr__(name: str) -> object:
    """Load a public name from its home when it is first asked for (PEP 562)."""
    if name not in _HOMES:
        msg = f"module 'stopwise' has no attribute {name!r}"
        raise AttributeError(msg)
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    """List the public names though they are not loaded yet."""
    return sorted([*__all__, "__version__"])

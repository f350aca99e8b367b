"""Frame (x Plan) -> Measurement: pure functions on arrays, no files touched."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.measurement.reading import Known, Reading, figures_of, read, reduce

if TYPE_CHECKING:
    from stopwise.frame import Frame
    from stopwise.measurement.figures import Measurement
    from stopwise.plan.model import Plan

__all__ = ["Known", "Reading", "figures_of", "measure", "read", "reduce"]


def measure(
    frame: Frame,
    plan: Plan | None = None,
    *,
    look: str | None = None,
    known: Known | None = None,
) -> Measurement:
    """Measure a frame.

    Parameters
    ----------
    frame
        The decoded frame.
    plan
        Its patches, backdrop and limits; None measures what needs no plan.
    look
        Name of the look that is worn.
    known
        What other frames tell of this one: learned levels, the reference, the clean plate.

    Returns
    -------
    Measurement
        Every figure finite, or None with the reason beside it.
    """
    return read(frame, plan, look=look, known=known).measurement

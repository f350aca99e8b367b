"""The slip: one frame's picture report as a PNG."""

from __future__ import annotations

from stopwise.report.slip.page import draw_slip, write_slip

__all__ = ["draw_slip", "write_slip"]

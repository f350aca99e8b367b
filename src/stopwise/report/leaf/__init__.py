"""The leaf: one frame's picture report as a PNG."""

from __future__ import annotations

from stopwise.report.leaf.page import draw_leaf, write_leaf

__all__ = ["draw_leaf", "write_leaf"]

"""How much a plan may hold, whatever is put in its place: the one place for such bounds.

All are our own choice: far above what a shoot needs, and so low that any file is read or refused
within a second on a slow machine (`tests/plan/test_bounds.py`).
"""

from __future__ import annotations

MOST_BYTES = 1 << 17
"""In the file: twenty looks of ten patches, each with every key and a comment, have 100 KB."""

MOST_DEPTH = 8
"""Of names with dots between them, and of brackets in brackets; a plan's own go three deep."""

MOST_LAMPS = 60
"""And so solos and white cards, and lamps that light one patch; a large set has twenty."""

MOST_PATCHES = 60
"""In the plan, and in each look; also ratios, separations, panels and places that may clip. With as
many that are followed, each the whole frame, and five lamps, a frame took 6 to 28 s of a processor;
200 took more than the 30 s that a file has. A look of twenty is a large one (common practice)."""

MOST_LOOKS = 100
"""A day of clothes has twenty."""

MOST_BOXES = 100
"""Of the backdrop; it needs two."""

MOST_TOLD = 20
"""Mistakes that are told at once: whoever has more, mends these first."""

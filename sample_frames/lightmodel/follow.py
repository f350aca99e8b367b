"""Where patches go when the sitter moves or turns his head: known here, found again elsewhere."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lightmodel.sitter import Pose

if TYPE_CHECKING:
    from lightmodel.geometry import Points
    from lightmodel.render import Surface
    from lightmodel.targets import Box, Patch
    from lightmodel.view import View


def moved_box(patch: Patch, view: View, still: Surface, pose: Pose) -> Box:
    """Return where a patch's box lies once the sitter stands as `pose` says.

    Parameters
    ----------
    patch
        With its box in the still picture, and the part of the sitter that it lies on.
    view
        The camera, which doesn't move.
    still
        What each photosite sees of the sitter as the plan has him.
    pose
        How he stands now.
    """
    if patch.part is None:
        return patch.box
    rows, columns = view.shape
    x0, y0, x1, y1 = patch.box
    middle = int((y0 + y1) / 2.0 * rows) * columns + int((x0 + x1) / 2.0 * columns)
    before = still.points[:, [middle]]
    after = _carried(before, patch, pose)
    right, down = (view.project(after) - view.project(before))[:, 0]
    return (x0 + float(right), y0 + float(down), x1 + float(right), y1 + float(down))


def _carried(points: Points, patch: Patch, pose: Pose) -> Points:
    if patch.part == "head":
        return pose.from_head(Pose().to_head(points))
    shift = np.asarray((pose.right, pose.up, pose.forward), np.float32)
    return points + shift[:, None]

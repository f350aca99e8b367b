"""Solids, rays and shadows of the light model, held against plane geometry."""

from __future__ import annotations

import numpy as np
import pytest

from lightmodel import tracing
from lightmodel.geometry import capsule, column, ellipsoid, joined, plate, turned, unit, within_box
from lightmodel.sitter import Pose
from lightmodel.view import View

BALL = ((0.0, 0.0, 0.0), (0.1, 0.1, 0.1))


def ball(points: np.ndarray) -> np.ndarray:
    return ellipsoid(points, *BALL)


def scattered(count: int = 4000, spread: float = 0.5) -> np.ndarray:
    rng = np.random.default_rng(11)
    return rng.uniform(-spread, spread, (3, count)).astype(np.float32)


def test_a_ray_meets_a_ball_where_geometry_says() -> None:
    """Quadratic of line and sphere: t = -b - sqrt(b^2 - c)."""
    eye = column((0.0, 0.0, 1.0))
    rays = unit(np.stack((*(scattered(spread=0.12)[:2]), np.full(4000, -1.0, np.float32))))
    found = tracing.march(ball, eye, rays, np.full(4000, 0.5, np.float32), 2.0)
    b = rays[2].astype(float)
    inside = b * b - (1.0 - 0.01)
    meets = inside > 1e-3
    assert found[meets] == pytest.approx((-b - np.sqrt(inside.clip(0)))[meets], abs=2e-3)
    assert np.isinf(found[inside < -1e-4]).all()


def test_normals_of_a_ball_point_away_from_its_middle() -> None:
    points = unit(scattered()) * np.float32(0.1)
    outward = tracing.normals(ball, points)
    assert outward == pytest.approx(unit(points), abs=5e-3)


def test_a_shadow_has_the_width_of_a_ball_projected_from_the_lamp() -> None:
    """Similar triangles: a ball of 0.1 half-way casts a shadow of about twice its radius."""
    x = np.linspace(0.0, 0.4, 801, dtype=np.float32)
    ground = np.stack((x, np.zeros_like(x), np.full_like(x, -1.0)))
    share = tracing.lit_share(ball, ground, column((0.0, 0.0, 1.0)), lamp_radius_m=0.002)
    edge = float(x[share > 0.5].min())
    sine = 0.1  # the ball's radius over its distance from the lamp
    assert edge == pytest.approx(2.0 * sine / np.sqrt(1.0 - sine**2), abs=3e-3)
    assert share[0] == 0.0
    assert share[-1] == 1.0


def test_a_wider_lamp_casts_a_softer_edge_in_proportion() -> None:
    """Similar triangles: penumbra = lamp's width x (beyond / before the edge) = its width here."""
    x = np.linspace(0.1, 0.3, 2001, dtype=np.float32)
    ground = np.stack((x, np.zeros_like(x), np.full_like(x, -1.0)))

    def penumbra(width: float) -> float:
        share = tracing.lit_share(ball, ground, column((0.0, 0.0, 1.0)), lamp_radius_m=width / 2.0)
        return float(x[share > 0.9].min() - x[share > 0.1].min()) / 0.8

    assert penumbra(0.04) == pytest.approx(0.04, rel=0.25)
    assert penumbra(0.04) == pytest.approx(2.0 * penumbra(0.02), rel=0.15)


def test_a_point_with_a_free_view_is_fully_lit() -> None:
    points = column((0.5, 0.0, -1.0))
    share = tracing.lit_share(ball, points, column((0.5, 0.0, 1.0)), lamp_radius_m=0.03)
    assert share[0] == 1.0


def test_the_distance_to_a_capsule_is_the_distance_to_its_line_less_its_radius() -> None:
    points = scattered()
    found = capsule(points, (-0.2, 0.0, 0.0), (0.2, 0.0, 0.0), 0.05)
    x = np.clip(points[0], -0.2, 0.2)
    straight = np.sqrt((points[0] - x) ** 2 + points[1] ** 2 + points[2] ** 2)
    assert found == pytest.approx(straight - 0.05, abs=1e-5)


def test_a_plate_shows_its_front_where_it_faces() -> None:
    facing = (0.6, 0.0, 0.8)
    on_front = column((0.6 * 0.01, 0.0, 0.8 * 0.01))
    assert plate(on_front, (0.0, 0.0, 0.0), facing, (0.1, 0.1, 0.01))[0] == pytest.approx(
        0, abs=1e-6
    )


def test_a_fillet_joins_without_leaving_either_solid() -> None:
    first, second = ball(scattered()), ball(scattered() - column((0.15, 0.0, 0.0)))
    blended = joined(first, second, 0.04)
    assert (blended <= np.minimum(first, second) + 1e-6).all()
    assert (blended >= np.minimum(first, second) - 0.01 - 1e-6).all()


def test_a_bounding_box_never_says_further_than_the_solid_is() -> None:
    points = scattered(spread=1.0)
    found = within_box(points, ball, (0.0, 0.0, 0.0), (0.1, 0.1, 0.1))
    true = np.sqrt((points**2).sum(axis=0)) - 0.1
    assert (found <= true + 1e-4).all()


def test_turning_there_and_back_brings_points_home() -> None:
    points = scattered()
    home = turned(turned(points, 33.0, (0.1, 0.0, 0.2)), -33.0, (0.1, 0.0, 0.2))
    assert home == pytest.approx(points, abs=1e-6)


def test_a_pose_takes_the_head_to_the_set_and_back() -> None:
    pose = Pose(right=0.08, up=-0.01, forward=0.02, head_turn_deg=12.0)
    points = scattered()
    assert pose.to_head(pose.from_head(points)) == pytest.approx(points, abs=1e-6)


@pytest.mark.parametrize("orientation", [1, 6, 8])
def test_a_ray_and_its_point_fall_on_the_same_photosite(orientation: int) -> None:
    view = View(width=64, height=48, orientation=orientation)
    points = column(view.eye) + view.rays() * np.float32(2.5)
    right, down = view.project(points)
    rows, columns = view.shape
    row, column_ = np.divmod(np.arange(rows * columns), columns)
    assert right * columns == pytest.approx(column_ + 0.5, abs=1e-3)
    assert down * rows == pytest.approx(row + 0.5, abs=1e-3)

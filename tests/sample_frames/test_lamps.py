"""The lamps of the light model obey the laws of light, held against published values."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate

from lightmodel.geometry import column, direction, unit
from lightmodel.lamps import Beam, HotSpot, Lamp, placed

EVEN = Beam(half_angle_deg=60.0, edge_deg=1.0)
ORIGIN = (0.0, 0.0, 0.0)


def lamp_at(distance: float, beam: Beam = EVEN, meter: float = 11.0) -> Lamp:
    return Lamp("lamp", (0.0, 0.0, distance), ORIGIN, meter, beam)


def light(
    lamp: Lamp, point: tuple[float, float, float], facing: tuple[float, float, float]
) -> float:
    return float(lamp.light_on(column(point), column(facing))[0])


def test_a_surface_that_faces_the_lamp_at_its_aim_gets_what_the_meter_read() -> None:
    assert light(lamp_at(1.8), ORIGIN, (0.0, 0.0, 1.0)) == pytest.approx(1.0, rel=1e-5)
    assert light(lamp_at(1.8, meter=22.0), ORIGIN, (0.0, 0.0, 1.0)) == pytest.approx(4.0, rel=1e-5)


@pytest.mark.parametrize(
    ("distance", "stops"), [(0.5, 2.0), (1.0, 0.0), (1.4142136, -1.0), (2.0, -2.0), (4.0, -4.0)]
)
def test_light_falls_with_the_square_of_the_distance(distance: float, stops: float) -> None:
    """CIE e-ILV 17-25-104, photometric distance law: E = I cos / d^2."""
    lamp = replace(lamp_at(4.0), meter=11.0 / 4.0)  # intensity 1 at one metre
    assert lamp.intensity == pytest.approx(1.0, rel=1e-5)
    found = light(lamp, (0.0, 0.0, 4.0 - distance), (0.0, 0.0, 1.0))
    assert np.log2(found) == pytest.approx(stops, abs=1e-4)


@pytest.mark.parametrize(
    ("angle_deg", "stops"),
    [(15, -0.050016), (30, -0.207519), (45, -0.5), (60, -1.0), (75, -1.949984)],
)
def test_light_falls_with_the_cosine_of_incidence(angle_deg: float, stops: float) -> None:
    """Lambert's cosine law: the log2 of the cosines, to six places."""
    facing = direction(angle_deg, 0.0)
    found = light(lamp_at(1.8), ORIGIN, facing)
    assert np.log2(found) == pytest.approx(stops, abs=2e-5)


def test_a_surface_that_faces_away_gets_nothing() -> None:
    assert light(lamp_at(1.8), ORIGIN, (0.0, 0.0, -1.0)) == 0.0


@pytest.mark.parametrize(
    ("aside", "stops"),
    [(0.25, -0.131194), (0.5, -0.482892), (0.75, -0.965784), (1.0, -1.5), (1.5, -2.550660)],
)
def test_a_flat_wall_falls_off_with_the_cube_of_the_cosine(aside: float, stops: float) -> None:
    """Inverse square and cosine together: E/E0 = (1 + (x/h)^2)^-1.5."""
    lamp = lamp_at(1.0, Beam(half_angle_deg=80.0, edge_deg=1.0))
    wall = (0.0, 0.0, 1.0)
    found = light(lamp, (aside, 0.0, 0.0), wall) / light(lamp, ORIGIN, wall)
    assert np.log2(found) == pytest.approx(stops, abs=2e-5)


@pytest.mark.parametrize(
    ("full_angle", "distance", "diameter"),
    [(20, 1.0, 0.352654), (30, 1.0, 0.535898), (40, 1.0, 0.727940), (10, 1.5, 0.262466)],
)
def test_a_cone_lights_a_disc_of_the_right_width(
    full_angle: float, distance: float, diameter: float
) -> None:
    """Plane geometry: 2 d tan(half the angle)."""
    beam = Beam(half_angle_deg=full_angle / 2.0, edge_deg=0.5)
    assert beam.diameter_m(distance) == pytest.approx(diameter, abs=1e-6)
    lamp = lamp_at(distance, beam)
    half = diameter / 2.0
    inside, outside = (
        light(lamp, (half * share, 0.0, 0.0), (0.0, 0.0, 1.0)) for share in (0.92, 1.08)
    )
    assert (
        inside
        > 0.9 * light(lamp, ORIGIN, (0.0, 0.0, 1.0)) * np.cos(np.radians(full_angle / 2)) ** 3
    )
    assert outside == 0.0


def test_the_edge_of_a_beam_is_half_as_bright_as_its_core() -> None:
    beam = Beam(half_angle_deg=14.0, edge_deg=4.0)
    shares = beam.share(np.array([11.9, 14.0, 16.1], np.float32))
    assert shares == pytest.approx([1.0, 0.5, 0.0], abs=1e-6)


def test_a_snoot_has_a_narrower_edge_than_a_grid() -> None:
    angles = np.linspace(0.0, 30.0, 3001, dtype=np.float32)
    snoot, grid = (Beam(14.0, edge).share(angles) for edge in (1.6, 8.0))

    def width(share: np.ndarray) -> float:
        return float(angles[share < 0.1].min() - angles[share > 0.9].max())

    assert width(grid) == pytest.approx(5.0 * width(snoot), rel=0.02)


def test_the_light_of_a_beam_adds_up_over_its_solid_angle() -> None:
    """An even cone of half-angle a holds 2 pi (1 - cos a) steradians; scipy sums the model's."""
    beam = Beam(half_angle_deg=20.0, edge_deg=0.02)

    def ring(angle: float) -> float:
        share = beam.share(np.array([np.degrees(angle)], np.float32))[0]
        return float(share) * 2.0 * np.pi * np.sin(angle)

    total, _ = integrate.quad(ring, 0.0, np.radians(25.0), points=[np.radians(20.0)], limit=200)
    assert total == pytest.approx(2.0 * np.pi * (1.0 - np.cos(np.radians(20.0))), rel=1e-3)


def test_a_hot_spot_stands_its_stops_above_the_beam_and_fades() -> None:
    plain = lamp_at(1.8)
    hot = replace(plain, hot=HotSpot(at=ORIGIN, stops=1.4, width_deg=0.2))
    wall = (0.0, 0.0, 1.0)
    over = [light(hot, (x, 0.0, 0.0), wall) / light(plain, (x, 0.0, 0.0), wall) for x in (0, 0.05)]
    assert np.log2(over) == pytest.approx([1.4, 0.0], abs=1e-3)


@given(st.floats(-180, 180), st.floats(-80, 80), st.floats(0.5, 5))
def test_a_lamp_stands_as_far_and_as_high_as_it_was_placed(
    round_deg: float, up_deg: float, distance: float
) -> None:
    x, y, z = placed((0.1, -0.2, 0.3), round_deg, up_deg, distance)
    away = np.array([x - 0.1, y + 0.2, z - 0.3])
    assert np.linalg.norm(away) == pytest.approx(distance, rel=1e-6)
    assert np.degrees(np.arcsin(away[1] / distance)) == pytest.approx(up_deg, abs=1e-4)


def test_a_card_square_to_the_camera_reads_1_29_stop_under_one_that_faces_the_lamp() -> None:
    """Cosine law for a lamp 60 degrees round and 35 up: log2(cos 60 cos 35) = -1.288."""
    key = Lamp("key", placed(ORIGIN, 60.0, 35.0, 1.8), ORIGIN, 11.0, EVEN)
    to_camera, to_lamp = (0.0, 0.0, 1.0), direction(60.0, 35.0)
    stops = np.log2(light(key, ORIGIN, to_camera) / light(key, ORIGIN, to_lamp))
    assert stops == pytest.approx(
        np.log2(np.cos(np.radians(60)) * np.cos(np.radians(35))), abs=1e-4
    )
    assert stops == pytest.approx(-1.288, abs=1e-3)
    assert np.asarray(unit(column(to_lamp)))[:, 0] == pytest.approx(to_lamp, abs=1e-6)

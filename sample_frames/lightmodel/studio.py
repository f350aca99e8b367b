"""The set of our scenario: five lamps and the ambient light that the plan describes."""

from __future__ import annotations

from lightmodel.lamps import Beam, Lamp, placed

FACE = (0.0, -0.02, 0.06)

KEY = Lamp(
    name="key",
    aim=(0.0, -0.08, 0.05),
    position=placed((0.0, -0.08, 0.05), 60.0, 35.0, 1.8),
    meter=18.2,
    beam=Beam(half_angle_deg=14.5, edge_deg=1.6, feather_deg=14.0),
    front_m=0.06,
)
FILL = Lamp(
    name="fill",
    aim=(0.0, -0.12, 0.05),
    position=placed((0.0, -0.12, 0.05), -35.0, 4.0, 1.6),
    meter=6.4,
    beam=Beam(half_angle_deg=12.0, edge_deg=5.0, feather_deg=14.0),
    front_m=0.1,
)
HAIR = Lamp(
    name="hair",
    aim=(-0.03, 0.09, -0.02),
    position=placed((-0.03, 0.09, -0.02), -160.0, 55.0, 1.4),
    meter=14.0,
    beam=Beam(half_angle_deg=9.0, edge_deg=8.0),
    front_m=0.2,
)
PAPER_LEFT = Lamp(
    name="paper left",
    aim=(-0.35, -0.2, -1.8),
    position=(-1.5, -0.5, -0.75),
    meter=10.0,
    beam=Beam(half_angle_deg=38.0, edge_deg=30.0, feather_deg=38.0),
    front_m=0.18,
)
PAPER_RIGHT = Lamp(
    name="paper right",
    aim=(0.35, -0.2, -1.8),
    position=(1.5, -0.5, -0.75),
    meter=10.0,
    beam=PAPER_LEFT.beam,
    front_m=0.18,
)
LAMPS = (KEY, FILL, HAIR, PAPER_LEFT, PAPER_RIGHT)
AMBIENT = 0.012

LIT_CHEEK = (0.0, -0.06, 0.085)
"""Where the plan's lit cheek is, metres."""

KEY_HOT = 0.7
"""Stops that the key is over in the first full frame."""

HOT_STOPS, HOT_DEG, HOT_TURN = 1.4, 0.25, -0.1
"""A key whose tube shows as a hot centre, and the turn that keeps the cheek's median on plan."""

"""The set of our scenario: five lamps and the ambient light that the plan describes."""

from __future__ import annotations

from lightmodel.lamps import Beam, HotSpot, Lamp, placed

FACE = (0.0, -0.02, 0.06)

KEY = Lamp(
    name="key",
    aim=(0.0, -0.08, 0.05),
    position=placed((0.0, -0.08, 0.05), 60.0, 35.0, 1.8),
    meter=17.4,
    beam=Beam(half_angle_deg=14.5, edge_deg=1.6, feather_deg=12.0),
    front_m=0.06,
)
FILL = Lamp(
    name="fill",
    aim=(0.0, -0.12, 0.05),
    position=placed((0.0, -0.12, 0.05), -35.0, 4.0, 1.6),
    meter=7.1,
    beam=Beam(half_angle_deg=12.0, edge_deg=5.0, feather_deg=14.0),
    front_m=0.1,
)
HAIR = Lamp(
    name="hair",
    aim=(-0.03, 0.09, -0.02),
    position=placed((-0.03, 0.09, -0.02), -155.0, 50.0, 1.4),
    meter=18.0,
    beam=Beam(half_angle_deg=7.5, edge_deg=6.0),
    front_m=0.2,
)
PAPER_LEFT = Lamp(
    name="paper left",
    aim=(-0.6, 0.05, -1.8),
    position=(-1.6, -0.1, -0.55),
    meter=9.7,
    beam=Beam(half_angle_deg=38.0, edge_deg=30.0, feather_deg=38.0),
    front_m=0.18,
)
PAPER_RIGHT = Lamp(
    name="paper right",
    aim=(0.6, 0.05, -1.8),
    position=(1.6, -0.1, -0.55),
    meter=9.7,
    beam=PAPER_LEFT.beam,
    front_m=0.18,
)
LAMPS = (KEY, FILL, HAIR, PAPER_LEFT, PAPER_RIGHT)
AMBIENT = 0.012

KEY_HOT_TURN = 0.8
"""Stops that the key is over in the first full frame."""

HOT = HotSpot(at=(0.0035, -0.0257, 0.0932), stops=1.3, width_deg=0.1)
"""The key's tube shows as a hot spot on the lit cheek."""

HOT_TURN = -0.15
"""The turn that keeps the cheek's median on plan under that spot."""

"""Room to move: how far a sitter may go in a narrow key, held against sets where he goes there."""

from __future__ import annotations

import numpy as np
import pytest

from stopwise.lamps.beam_spots import Followed, Lit, room_to_move
from stopwise.lamps.unmixing import stack_of
from stopwise.lamps.white_card import read_white_card
from support.lit_sets import LitSet, on_sheet
from support.made_set import LAMPS
from support.spot_rooms import CHEEK, narrow, rooms


def test_a_sitter_who_goes_as_far_as_is_said_has_lost_the_light():
    """A part of what `tests/bench/figures_room.py` counts."""
    told = [pair for pair in rooms(12) if pair[0] is not None]
    assert told
    for found, true in told:
        assert found == pytest.approx(true, abs=0.01)


def test_without_a_target_there_is_no_room_to_tell():
    key = narrow(np.random.default_rng(3))
    made = LitSet((key, *LAMPS[1:]), seed=3)
    lit = Lit(stack_of(made.frame(), made.lamp_set), 0, np.ones(len(made.lamps)))
    assert room_to_move(lit, read_white_card(on_sheet(key)), [Followed(CHEEK, CHEEK)]) is None

"""The look: colours that stand off their ground, marks that differ by shape."""

from __future__ import annotations

from dataclasses import fields

import colour
import numpy as np
import pytest

from stopwise.report.look import (
    DARK,
    LIGHT,
    OKABE_ITO,
    STATE_MARKS,
    VERDICT_MARKS,
    Theme,
)
from support.contrast import contrast, relative_luminance

TEXT, MARKS = 4.5, 3.0  # WCAG 2.2, success criteria 1.4.3 and 1.4.11
ROLES = [field.name for field in fields(Theme)]


@pytest.mark.parametrize(
    ("one", "other", "ratio"),
    [
        # WCAG 2.2's formula on greys at its limits, values worked with colour-science's sRGB
        ("#000000", "#FFFFFF", 21.0),
        ("#767676", "#FFFFFF", 4.542225),
        ("#777777", "#FFFFFF", 4.478089),
        ("#949494", "#FFFFFF", 3.033470),
        ("#959595", "#FFFFFF", 2.995346),
        ("#595959", "#FFFFFF", 7.004729),
        ("#E69F00", "#FFFFFF", 2.2523),
        ("#0072B2", "#FFFFFF", 5.1854),
    ],
)
def test_contrast_is_that_of_wcag_2_2(one: str, other: str, ratio: float) -> None:
    assert contrast(one, other) == pytest.approx(ratio, abs=1e-4)
    assert contrast(other, one) == contrast(one, other)


@pytest.mark.parametrize("code", [0, 1, 10, 11, 50, 118, 200, 254, 255])
def test_luminance_decodes_srgb_as_iec_61966_2_1_does(code: int) -> None:
    expected = float(colour.models.eotf_sRGB(code / 255))  # colour-science, IEC 61966-2-1
    assert relative_luminance(f"#{code:02X}{code:02X}{code:02X}") == pytest.approx(expected)


def test_luminance_weighs_colours_as_bt_709() -> None:
    weights = colour.RGB_COLOURSPACES["sRGB"].matrix_RGB_to_XYZ[1]
    ours = [relative_luminance(pure) for pure in ("#FF0000", "#00FF00", "#0000FF")]
    np.testing.assert_allclose(ours, weights, atol=1e-4)


def test_the_palette_is_that_of_okabe_and_ito() -> None:
    # Okabe and Ito, Color Universal Design, 2002 (revised 2008)
    assert list(OKABE_ITO.values()) == [
        *("#000000", "#E69F00", "#56B4E9", "#009E73"),
        *("#F0E442", "#0072B2", "#D55E00", "#CC79A7"),
    ]


@pytest.mark.parametrize("theme", [DARK, LIGHT], ids=["dark", "light"])
@pytest.mark.parametrize("ground", ["ground", "raised"])
@pytest.mark.parametrize("role", ["text", "quiet"])
def test_text_stands_off_every_ground(theme: Theme, ground: str, role: str) -> None:
    assert contrast(getattr(theme, role), getattr(theme, ground)) >= TEXT


@pytest.mark.parametrize("theme", [DARK, LIGHT], ids=["dark", "light"])
@pytest.mark.parametrize("ground", ["ground", "raised"])
@pytest.mark.parametrize("role", sorted(set(ROLES) - {"ground", "raised", "hair"}))
def test_marks_stand_off_every_ground(theme: Theme, ground: str, role: str) -> None:
    assert contrast(getattr(theme, role), getattr(theme, ground)) >= MARKS


def test_states_and_verdicts_differ_by_shape_and_sign_not_by_colour_alone() -> None:
    for marks in (STATE_MARKS, VERDICT_MARKS):
        for attribute in ("shape", "glyph", "plain"):
            assert len({getattr(mark, attribute) for mark in marks.values()}) == len(marks)

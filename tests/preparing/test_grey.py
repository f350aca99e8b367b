"""Mid-grey from made frames of a card whose answer is known, and what is refused."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from lightmodel.dng import DngExif, DngSpec, write_dng
from stopwise.errors import Unreadable, WrongUse
from stopwise.plan import load_plan
from stopwise.preparing.grey import Card, set_grey

if TYPE_CHECKING:
    from numpy.typing import NDArray

BLACK, WHITE, GAIN = 512.0, 16383.0, 2.0
NEUTRAL = (0.39949, 1.06266, 0.74560)
BOX = (0.3, 0.3, 0.7, 0.7)

# ISO 12232, saturation-based speed: an 18 % card falls at 0.18 / sqrt(2) of saturation.
ISO_12232 = 0.18 / math.sqrt(2.0)

PLAN = """\
# our set
[camera]   # the body
iso = 100
f_number = 11
mid_grey = 0.2   # card of Monday
mid_grey_model = "Another body"

[[light]]
name = "key"
role = "key"
off_axis = 60
elevation = 35
meter = 11
"""


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    file = tmp_path / "plan.toml"
    file.write_text(PLAN, encoding="utf-8")
    return file


def card_frame(
    folder: Path, luminance: float | NDArray[np.float64], *, tint: float = 0.0, seed: int = 3
) -> Path:
    """Write a frame of an even neutral card, 1 at white; `tint` shifts red, stops."""
    shape = (240, 320)
    green = np.broadcast_to(np.asarray(luminance, dtype=float), (shape[0] // 2, shape[1] // 2))
    planes = {"R": 2.0**tint * NEUTRAL[0] / NEUTRAL[1], "G": 1.0, "B": NEUTRAL[2] / NEUTRAL[1]}
    light = np.empty(shape)
    for (row, column), name in {(0, 0): "R", (0, 1): "G", (1, 0): "G", (1, 1): "B"}.items():
        light[row::2, column::2] = green * planes[name] * (WHITE - BLACK)
    random = np.random.default_rng(seed)
    noisy = BLACK + GAIN * random.poisson(light / GAIN) + random.normal(0.0, 4.0, shape)
    levels = np.clip(np.rint(noisy), 0, WHITE).astype(np.uint16)
    path = folder / f"card{seed}.dng"
    exif = DngExif(iso=100, f_number=11, shutter_s="1/160")
    write_dng(path, levels, spec=DngSpec(exif=exif, as_shot_neutral=NEUTRAL))
    return path


def written(plan: Path) -> float:
    value = load_plan(plan).camera.mid_grey
    assert value is not None
    return value


@pytest.mark.parametrize("luminance", [0.08, ISO_12232, 0.16])
def test_mid_grey_is_the_cards_luminance(luminance: float, plan: Path, tmp_path: Path) -> None:
    said = "\n".join(set_grey(card_frame(tmp_path, luminance), plan, Card(BOX)))

    assert math.log2(written(plan) / luminance) == pytest.approx(0.0, abs=0.01)
    apart = float(re.findall(r"([+-][0-9.]+) stop to the 0\.1273 of ISO 12232", said)[0])
    assert apart == pytest.approx(math.log2(luminance / ISO_12232), abs=0.011)


def test_only_three_keys_of_the_plan_change(plan: Path, tmp_path: Path) -> None:
    set_grey(card_frame(tmp_path, ISO_12232), plan, Card(BOX))

    camera = load_plan(plan).camera
    now = plan.read_text(encoding="utf-8").splitlines()
    changed = [line for line in now if line not in PLAN.splitlines()]
    assert [line.split(" = ")[0] for line in changed] == [
        "mid_grey",
        "mid_grey_model",
        "mid_grey_iso",
    ]
    assert changed[0].endswith("# card of Monday")
    assert camera.mid_grey_iso == 100
    assert camera.mid_grey_model not in (None, "Another body")


# Lambert's law by hand: a key 60 round and 35 up falls on a card square to the camera at
# cos 35 cos 60 = 0.4096, 1.29 stop under one that faces the lamp; half-way it loses 0.25.
@pytest.mark.parametrize(
    ("faced", "lost", "cosine"), [("camera", 1.2878, "0.410"), ("between", 0.2524, "0.840")]
)
def test_a_card_that_did_not_face_the_lamp_is_corrected_by_the_cosine(
    faced: str, lost: float, cosine: str, plan: Path, tmp_path: Path
) -> None:
    seen = card_frame(tmp_path, ISO_12232 * 2.0**-lost)

    said = "\n".join(set_grey(seen, plan, Card(BOX, faced=faced)))  # type: ignore[arg-type]

    assert math.log2(written(plan) / ISO_12232) == pytest.approx(0.0, abs=0.02)
    assert f"{lost:.2f} stop under one that faces the lamp" in said
    assert f"cosine {cosine}" in said


def test_a_lighter_card_stands_for_an_eighteen_percent_one(plan: Path, tmp_path: Path) -> None:
    set_grey(card_frame(tmp_path, ISO_12232 * 2.0), plan, Card(BOX, reflectance=0.36))

    assert math.log2(written(plan) / ISO_12232) == pytest.approx(0.0, abs=0.01)


def test_meter_and_sensor_are_compared(plan: Path, tmp_path: Path) -> None:
    # The lens stood at the meter's reading, so a sensor that sees 0.4 stop more disagrees by that.
    said = "\n".join(set_grey(card_frame(tmp_path, ISO_12232 * 2**0.4), plan, Card(BOX)))

    assert "The meter read f/11 for key, the lens was at f/11" in said
    assert "the sensor sees 0.40 stop more than the meter" in said
    assert "0.75 stop" in said


def test_a_meter_far_off_is_asked_about_unless_its_reading_is_given(
    plan: Path, tmp_path: Path
) -> None:
    # At f/11 a meter that reads f/16 saw a stop more than the lens lets in.
    plan.write_text(PLAN.replace("meter = 11", "meter = 16"), encoding="utf-8")
    frame = card_frame(tmp_path, ISO_12232)

    assert "1.00 stop less than the meter" in (said := "\n".join(set_grey(frame, plan, Card(BOX))))
    assert "give what the meter read: --meter" in said
    again = "\n".join(set_grey(frame, plan, Card(BOX, meter=11.0)))
    assert "0.00 stop" in again
    assert "go by the sensor" in again


SAMPLES = Path(__file__).parents[2] / "sample_frames"


def test_the_card_of_the_sample_frames_gives_the_models_own_mid_grey(tmp_path: Path) -> None:
    truth = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))
    card = truth["frames"]["F0001.dng"]["card"]
    plan = tmp_path / "plan.toml"
    plan.write_bytes((SAMPLES / "plan.toml").read_bytes())

    set_grey(SAMPLES / "F0001.dng", plan, Card(tuple(card["box"])))

    assert math.log2(written(plan) / card["level"]) == pytest.approx(0.0, abs=0.01)


def refusal(frame: Path, plan: Path, card: Card, words: str) -> None:
    with pytest.raises(WrongUse, match=words):
        set_grey(frame, plan, card)

    assert plan.read_text(encoding="utf-8") == PLAN


def test_a_clipped_card_is_refused(plan: Path, tmp_path: Path) -> None:
    refusal(card_frame(tmp_path, 1.1), plan, Card(BOX), r"clipped in 100\.0%")


def test_an_uneven_card_is_refused(plan: Path, tmp_path: Path) -> None:
    slope = ISO_12232 * 2.0 ** np.linspace(-0.5, 0.5, 160)[np.newaxis, :]

    refusal(card_frame(tmp_path, slope), plan, Card(BOX), r"uneven by 0\.\d\d stop")


def test_a_noisy_card_is_refused(plan: Path, tmp_path: Path) -> None:
    refusal(card_frame(tmp_path, 0.001), plan, Card(BOX), "noisy: signal to noise")


def test_a_card_too_small_is_refused(plan: Path, tmp_path: Path) -> None:
    refusal(card_frame(tmp_path, 0.1), plan, Card((0.5, 0.5, 0.55, 0.55)), "Draw it larger")


@pytest.mark.parametrize("luminance", [0.3, 0.04])
def test_a_mid_grey_beyond_reason_is_written_only_by_force(
    luminance: float, plan: Path, tmp_path: Path
) -> None:
    frame = card_frame(tmp_path, luminance)
    refusal(frame, plan, Card(BOX), r"stops under clip, and 2\.3 to 4\.2 is usual")

    set_grey(frame, plan, Card(BOX), force=True)

    assert written(plan) == pytest.approx(luminance, rel=0.02)


def test_a_tinted_card_is_warned_of(plan: Path, tmp_path: Path) -> None:
    said = "\n".join(set_grey(card_frame(tmp_path, 0.12, tint=0.4), plan, Card(BOX)))

    assert "The card is tinted: R/G +0.4" in said
    plain = "\n".join(set_grey(card_frame(tmp_path, 0.12, seed=4), plan, Card(BOX)))
    assert "tinted" not in plain


def test_a_cosine_needs_the_lamps_place(plan: Path, tmp_path: Path) -> None:
    plan.write_text(PLAN.replace("elevation = 35\n", ""), encoding="utf-8")

    with pytest.raises(WrongUse, match="needs the lamp's off_axis and elevation"):
        set_grey(card_frame(tmp_path, 0.1), plan, Card(BOX, faced="camera"))


def test_an_unknown_lamp_is_refused_with_the_one_that_was_meant(plan: Path, tmp_path: Path) -> None:
    refusal(card_frame(tmp_path, 0.1), plan, Card(BOX, lamp="kee"), 'Did you mean "key"')


def test_a_level_that_the_plan_overrules_carries_mid_grey_with_it(
    plan: Path, tmp_path: Path
) -> None:
    clip = BLACK + 0.8 * (WHITE - BLACK)
    plan.write_text(PLAN.replace("iso = 100\n", f"iso = 100\nraw_clip = {clip}\n"), "utf-8")

    set_grey(card_frame(tmp_path, 0.1), plan, Card(BOX))

    assert written(plan) == pytest.approx(0.1 / 0.8, rel=0.01)


def test_what_is_no_raw_file_ends_as_unreadable(plan: Path, tmp_path: Path) -> None:
    broken = tmp_path / "F1.dng"
    broken.write_bytes(b"")

    with pytest.raises(Unreadable, match="empty"):
        set_grey(broken, plan, Card(BOX))

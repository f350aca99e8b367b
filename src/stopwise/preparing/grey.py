"""Mid-grey from a frame of a grey card: read it, judge whether it can be trusted, write it down."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from stopwise import stops
from stopwise.errors import WrongUse
from stopwise.measurement.card import (
    LEAST_CELLS,
    card_cosine,
    card_mid_grey,
    read_card,
)
from stopwise.measurement.reading import ground_of
from stopwise.plan.draft import open_draft, written_number
from stopwise.plan.readings import which_there_is
from stopwise.raw import decode
from stopwise.raw.bounds import in_bounds
from stopwise.stops import exact_f_number, nearest_third, say_f_number

if TYPE_CHECKING:
    from pathlib import Path

    from stopwise.frame import Box, Exposure, Frame
    from stopwise.measurement.card import CardReading
    from stopwise.plan.draft import Draft
    from stopwise.plan.model import Light, Plan

Faced = Literal["lamp", "camera", "between"]
_TURNED: dict[Faced, float] = {"lamp": 0.0, "between": 0.5, "camera": 1.0}
"""Part of the angle from lamp to camera by which a card is turned off its lamp."""

MOST_CLIPPED = 0.001
"""Share of the box that may clip: a hot photosite or two, and no glare."""

MOST_UNEVEN = 0.1
"""Stops from the card's darkest to its brightest part: a tenth is what meters show."""

LEAST_SNR = 10.0
"""Signal to noise of one cell: it scatters by 1.44 / 10 = 0.14 stop then, and the mean of a box's
hundreds by under a hundredth."""

MOST_TINT = 0.15
"""Stops of red, and of blue, against green that a card may be off before it is told; chosen."""

UNDER_CLIP = (2.3, 4.2)
"""Stops under clip within which mid-grey is written without being told to."""

METER_ROOM = 0.75
"""Stops that the constants of ISO 2720 leave open: C from 320 to 540 for a dome, log2(540/320)."""

_DEFAULT = stops.MID_GREY_OF_SATURATION


@dataclass(frozen=True, slots=True)
class Card:
    """A grey card in a frame.

    Attributes
    ----------
    box
        Where it is seen, well inside its edges.
    reflectance
        As a fraction.
    faced
        What it faced: the lamp, the camera, or half-way between.
    lamp
        Name of the lamp that lit it; "" for the plan's key.
    meter
        What the meter read for that lamp in this frame; None for the plan's reading.
    """

    box: Box
    reflectance: float = stops.MID_GREY_REFLECTANCE
    faced: Faced = "lamp"
    lamp: str = ""
    meter: float | None = None


def set_grey(frame: Path, plan: Path, card: Card, *, force: bool = False) -> tuple[str, ...]:
    """Write mid-grey into a plan from a card, for the body and the ISO of its frame.

    Parameters
    ----------
    frame
        The raw file.
    plan
        The plan file.
    card
        Where the card is and what is known of it.
    force
        Whether to write a mid-grey outside of `UNDER_CLIP`.

    Returns
    -------
    tuple of str
        What was found and written, a line each.

    Raises
    ------
    Unreadable
        If the frame gives no trustworthy pixels.
    WrongUse
        If the card is clipped, uneven, noisy or too small, or mid-grey comes out beyond reason.
    PlanError, PathMissing
        If the plan is wrong or not there.
    """
    draft = open_draft(plan)
    opened = in_bounds(decode, frame)
    reading, scale = _read(opened, draft.plan, card)
    _refuse(reading)
    lamp = _lamp_of(draft.plan, card)
    cosine = _cosine(lamp, card)
    mid_grey = card_mid_grey(reading.luminance * scale, reflectance=card.reflectance, cosine=cosine)
    _refuse_beyond(mid_grey, force=force)
    _written(draft, opened, mid_grey).save()
    return (
        _say_card(reading),
        *_say_tint(reading),
        *_say_cosine(lamp, card, cosine),
        _say_mid_grey(mid_grey, opened),
        *_say_meter(lamp, card, draft.plan, opened.exposure, mid_grey),
        f"Wrote mid_grey = {mid_grey:.4f} into {plan.name}.",
    )


def _read(frame: Frame, plan: Plan, card: Card) -> tuple[CardReading, float]:
    """Return the reading, and what turns its luminance to the anchor that the plan goes by."""
    raw_clip = plan.camera.raw_clip
    ground = ground_of(frame, plan)
    cells, reading = ground.cells, read_card(ground, card.box)
    green = cells.planes_of("G")[0] if "G" in cells.channels else 0
    colour = cells.plane_colours[green]
    black = cells.black[colour]
    scale = 1.0 if raw_clip is None else (cells.anchor[colour] - black) / (raw_clip - black)
    return reading, scale


def _refuse(reading: CardReading) -> None:
    again = "Shoot it again"
    if reading.cells < LEAST_CELLS:
        msg = f"The box holds {reading.cells} cells and needs {LEAST_CELLS}. Draw it larger."
    elif reading.clipped > MOST_CLIPPED:
        msg = f"The card is clipped in {reading.clipped:.1%} of its cells. {again} with less light."
    elif reading.luminance <= 0.0 or reading.snr < LEAST_SNR:
        told = f"noisy: signal to noise {max(reading.snr, 0.0):.1f} in a cell, {LEAST_SNR:g} needed"
        msg = f"The card is too {told}. {again} with more light."
    elif reading.uneven is None or reading.uneven > MOST_UNEVEN:
        told = "has parts without light"
        told = told if reading.uneven is None else f"is uneven by {reading.uneven:.2f} stop"
        msg = f"The card {told}, {MOST_UNEVEN:g} is the most. Draw the box inside it, or turn it."
    else:
        return
    raise WrongUse(msg)


def _refuse_beyond(mid_grey: float, *, force: bool) -> None:
    under = -math.log2(mid_grey)
    least, most = UNDER_CLIP
    if force or least <= under <= most:
        return
    msg = (
        f"Mid-grey comes out {under:.2f} stops under clip, and {least:g} to {most:g} is usual. "
        "Check the box, the exposure and the card, or write it all the same with --force."
    )
    raise WrongUse(msg)


def _lamp_of(plan: Plan, card: Card) -> Light | None:
    if not card.lamp:
        return next((light for light in plan.lights if light.role == "key"), None)
    lamp = plan.light(card.lamp)
    if lamp is None:
        names = [light.name for light in plan.lights]
        msg = f'The plan has no lamp "{card.lamp}". {which_there_is(card.lamp, names)}'
        raise WrongUse(msg)
    return lamp


def _cosine(lamp: Light | None, card: Card) -> float:
    if card.faced == "lamp":
        return 1.0
    if lamp is None or lamp.off_axis is None or lamp.elevation is None:
        msg = (
            f"How a card that faced {_faced(card)} stood to its lamp needs the lamp's off_axis and "
            "elevation in the plan. Write them, or shoot the card facing the lamp."
        )
        raise WrongUse(msg)
    cosine = card_cosine(lamp.off_axis, lamp.elevation, turned=_TURNED[card.faced])
    if cosine < 0.05:
        msg = (
            f"{lamp.name} stands beside or behind a card that faced {_faced(card)}: turn the card."
        )
        raise WrongUse(msg)
    return cosine


def _faced(card: Card) -> str:
    return "between" if card.faced == "between" else f"the {card.faced}"


def _written(draft: Draft, frame: Frame, mid_grey: float) -> Draft:
    """Write the three keys; what the file doesn't say is not left over from another body."""
    draft = draft.set(("camera", "mid_grey"), round(mid_grey, 4))
    held = draft.plan.camera
    iso = frame.exposure.iso
    values = {
        "mid_grey_model": frame.camera.model,
        "mid_grey_iso": None if iso is None else written_number(iso),
    }
    for key, value in values.items():
        if value is not None:
            draft = draft.set(("camera", key), value)
        elif getattr(held, key) is not None:
            draft = draft.drop(("camera", key))
    return draft


# --- what is said ---------------------------------------------------------------------------------


def _say_card(reading: CardReading) -> str:
    under = -math.log2(reading.luminance)
    return (
        f"The card lies {under:.2f} stops under the named white, uneven by {reading.uneven:.2f} "
        f"stop, signal to noise {min(reading.snr, 9999.0):.0f} in each of {reading.cells} cells."
    )


def _say_tint(reading: CardReading) -> tuple[str, ...]:
    tints = {"R/G": reading.red_green, "B/G": reading.blue_green}
    far = [f"{name} {tint:+.2f}" for name, tint in tints.items() if tint and abs(tint) > MOST_TINT]
    if not far:
        return ()
    told = f"The card is tinted: {', '.join(far)} stop, {MOST_TINT:g} is the most."
    return (f"{told} Look for a gel, a coloured wall, or a balance other than the light's.",)


def _say_cosine(lamp: Light | None, card: Card, cosine: float) -> tuple[str, ...]:
    if lamp is None or card.faced == "lamp":
        return ()
    angle, lost = math.degrees(math.acos(cosine)), -math.log2(cosine)
    told = f"{lamp.name} falls on it at {angle:.0f} degrees, cosine {cosine:.3f}"
    less = f"so it reads {lost:.2f} stop under one that faces the lamp; that is added"
    return (f"It faced {_faced(card)}: {told}, {less}.",)


def _say_mid_grey(mid_grey: float, frame: Frame) -> str:
    body = frame.camera.model or "this body"
    iso = f" at ISO {frame.exposure.iso:g}" if frame.exposure.iso else ""
    apart = round(math.log2(mid_grey / _DEFAULT), 2) + 0.0
    return (
        f"Mid-grey for {body}{iso}: {mid_grey:.4f} of white, {apart:+.2f} stop to the "
        f"{_DEFAULT:.4f} of ISO 12232."
    )


def _say_meter(
    lamp: Light | None, card: Card, plan: Plan, exposure: Exposure, mid_grey: float
) -> tuple[str, ...]:
    """Say how far the sensor and the meter disagree on the light of one lamp."""
    said = card.meter if card.meter is not None else lamp.meter if lamp else None
    if lamp is None or said is None or exposure.f_number is None:
        return ()
    meter, lens = exact_f_number(said), nearest_third(exposure.f_number)
    faster = stops.stops_between_isos(plan.camera.iso or 100.0, exposure.iso or 100.0)
    wanted = stops.stops_between_f_numbers(lens, meter) + (faster if exposure.iso else 0.0)
    apart = math.log2(mid_grey * _meter_cosine(lamp) / _DEFAULT) - wanted
    side = "more" if apart > 0.0 else "less"
    seen = f"the sensor sees {abs(apart):.2f} stop {side} than the meter"
    read = f"The meter read {say_f_number(meter)} for {lamp.name}, the lens was at"
    return (f"{read} {say_f_number(lens)}: {seen}. {_weighed(apart)}",)


def _weighed(apart: float) -> str:
    room = f"{METER_ROOM:g} stop"
    if abs(apart) <= METER_ROOM:
        return f"Meters may differ by {room} and still follow ISO 2720: go by the sensor."
    far = f"That is more than the {room} that ISO 2720 leaves to meters"
    return f"{far}. If the lamp had another power here, give what the meter read: --meter."


def _meter_cosine(lamp: Light) -> float:
    """Return what a dome turned to the camera keeps of a lamp, as a flat receptor would."""
    if lamp.meter_at == "lamp" or lamp.off_axis is None:
        return 1.0
    return max(card_cosine(lamp.off_axis, lamp.elevation or 0.0), 0.05)

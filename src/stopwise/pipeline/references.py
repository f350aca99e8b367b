"""What the plan's own frames give to every other frame."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from stopwise.grid import LightGrid
    from stopwise.lamps.solos import LampSet, SoloPlace
    from stopwise.lamps.white_card import WhiteCard
    from stopwise.measurement.figures import Measurement
    from stopwise.pipeline.brief import FrameNote
    from stopwise.plan.model import Plan


@dataclass(frozen=True, eq=False, slots=True)
class OwnFrame:
    """One of the plan's own frames, reduced.

    Attributes
    ----------
    light
        Its light.
    measurement
        Its figures; None where nobody asked for them.
    place
        Where the sitter stood in a solo; None where nobody looked for him yet.
    """

    light: LightGrid
    measurement: Measurement | None = None
    place: SoloPlace | None = None


@dataclass(frozen=True, eq=False, slots=True)
class References:
    """What is known of the set before a frame is judged.

    Attributes
    ----------
    ambient
        The ambient frame's measurement; None where the plan names none that can be read.
    plate, reference
        The clean plate and the frame that patches are followed from, reduced.
    even
        The sum of the solos of the lamps that are meant to be lit, as takes say they are turned:
        what the shutter would leave whole. None without solos, or with other clothes than theirs.
    lamps
        Each lamp's own light; None without solos.
    solos, ambient_light, full
        The light of the solos, of the ambient frame and of a frame under all lamps as they were
        shot; the last only where a solo is awaited.
    white_cards
        Each lamp's spot as its white card shows it.
    missing
        Lamps whose solos the plan names and which can't be used.
    notes
        The plan's frames that can't be used, each with why.
    """

    ambient: Measurement | None = None
    plate: LightGrid | None = None
    reference: LightGrid | None = None
    even: LightGrid | None = None
    lamps: LampSet | None = None
    solos: Mapping[str, LightGrid] = field(default_factory=dict)
    ambient_light: LightGrid | None = None
    full: LightGrid | None = None
    white_cards: Mapping[str, WhiteCard] = field(default_factory=dict)
    missing: tuple[str, ...] = ()
    notes: tuple[FrameNote, ...] = ()

    def bodies(self, plan: Plan) -> Iterator[str]:
        """Yield the bodies that the plan's mid-grey and these frames are of, as far as known."""
        lights = (*self.solos.values(), self.ambient_light, self.plate, self.reference)
        models = (None if light is None else light.camera.model for light in lights)
        yield from (one for one in (plan.camera.mid_grey_model, *models) if one is not None)

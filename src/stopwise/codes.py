"""Codes: every check and what it may come to, with what is said of it and what to do.

A row is a template; its fields are worked out from a finding by :mod:`stopwise.messages`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Check = Literal[
    "patch",
    "headroom",
    "clip",
    "texture",
    "blocked",
    "ratio",
    "separation",
    "backdrop",
    "blown",
    "pinpoints",
    "setting",
    "exposure",
    "shutter",
    "ambient",
    "lamp",
]
Code = Literal[
    "over",
    "under",
    "not_seen",
    "hot_centre",
    "near_clip",
    "blown",
    "may_be_clipped",
    "clear",
    "rough",
    "blocked",
    "noisy",
    "too_deep",
    "too_open",
    "stands_off",
    "left_over_right",
    "right_over_left",
    "too_steep",
    "too_flat",
    "uneven",
    "bright_blotch",
    "dark_blotch",
    "tinted",
    "setting",
    "as_asked",
    "knocked",
    "edge",
    "slope",
    "none_fired",
    "out",
    "likely_out",
    "weak",
    "strong",
    "not_ready",
    "not_dumped",
    "old_power",
    "out_of_spot",
    "beyond_light",
    "spot_moved",
    "changed",
    "changed_over",
    "changed_under",
    "changed_taken_out",
    "changed_in_part",
    "changed_left_in",
    "framing_changed",
    "sitter_moved",
    "something_moved",
    "camera_moved",
    "off_mark",
    "no_boxes",
    "as_said",
    "near_said",
    "off_said",
    "nobody_turned",
    "not_turned",
    "less_red",
    "redder",
    "less_blue",
    "bluer",
    "single",
    "step",
    "drift",
]
"""What a finding says, whether it holds or fails."""


@dataclass(frozen=True, slots=True)
class Message:
    """What is said of one code.

    Attributes
    ----------
    say
        The whole sentence.
    do
        What to do where nothing better is known.
    headline
        Shorter sentences for the headline, the first that fits is taken; none where `say` fits.
    is_advice
        Whether `do` is said though nothing failed.
    """

    say: str
    do: str = ""
    headline: tuple[str, ...] = ()
    is_advice: bool = False


_LESS, _MORE = "Less light there.", "More light there, or let it go."
_CHECK_PAPER = "Check the paper lamps."
_SET = "{setting} {plan} to {found}: {measured} {more}"
_COLOUR = "{lead} {turned}: its light {shift_hundredths}"
_LEVEL = "Level its colour afterwards, or turn it less and move the lamp."
_WITH_TAKE, _LOOK = "Compare it with its take.", "Look at the aperture and packs."
STEADY = Message("{of} {off} {over}, lamps steady.", "Sitter has turned. Leave the lamps.")
FINISH: dict[str, Message] = {
    "over": Message("{of} {off} over: its finish.", "Hair lamp down, it is lighter hair."),
    "under": Message("{of} {off} under: its finish.", "Hair lamp up, it is darker hair."),
}
"""Hair that no lamp accounts for on a head that is still."""

MESSAGES: dict[tuple[Check, Code], Message] = {
    ("patch", "over"): Message("{of} {off} over.", "{check_lamps}"),
    ("patch", "under"): Message("{of} {off} under.", "{check_lamps}"),
    ("patch", "not_seen"): Message("{of} not seen."),
    ("headroom", "hot_centre"): Message(
        "Hot centre on the {of}{at}: {measured} from clip, target {planned}.",
        "{feather}",
        ("Hot centre on the {of}.",),
    ),
    ("headroom", "near_clip"): Message(
        "{of} {measured} from clip, target {planned}.", _LESS, ("{of} {measured} from clip.",)
    ),
    ("headroom", "not_seen"): Message("{of}: headroom not seen."),
    ("clip", "blown"): Message(
        "{of} blown, {share} of it.", _LESS, ("{of} blown, {share} of it.", "{of} blown.")
    ),
    ("clip", "clear"): Message("{of} holds no blown area."),
    ("texture", "rough"): Message("{of} textured by {hundredths} stop.", "Softer light there."),
    ("texture", "not_seen"): Message("{of}: texture not seen."),
    ("blocked", "blocked"): Message("{of} blocked, {share} of it.", _MORE),
    ("blocked", "noisy"): Message(
        "{of} noisy: SNR {snr}, target {snr_planned}.",
        "More light there, or open up.",
        ("{of} is noisy.",),
    ),
    ("blocked", "not_seen"): Message("{of}: blocked share not seen."),
    ("ratio", "too_deep"): Message(
        "{shadow} {off} too deep against {lit}.", "Fill up a little.", ("{shadow} {off} too deep.",)
    ),
    ("ratio", "too_open"): Message(
        "{shadow} {off} too open against {lit}.",
        "Fill down a little.",
        ("{shadow} {off} too open.",),
    ),
    ("ratio", "not_seen"): Message("Ratio of {lit} to {shadow} not seen."),
    ("separation", "stands_off"): Message(
        "{lit} stands {tenths} over {shadow}, target {planned}.",
        "More light on the {lit}.",
        ("{lit} {off} too near {shadow}.",),
    ),
    ("separation", "not_seen"): Message("{lit} against {shadow} not seen."),
    ("backdrop", "over"): Message("Paper {off} over.", _CHECK_PAPER),
    ("backdrop", "under"): Message("Paper {off} under.", _CHECK_PAPER),
    ("backdrop", "left_over_right"): Message("Paper left {measured} over right.", _CHECK_PAPER),
    ("backdrop", "right_over_left"): Message("Paper right {measured} over left.", _CHECK_PAPER),
    ("backdrop", "too_steep"): Message(
        "Paper falls off {tenths}, {off} too steep.", _CHECK_PAPER
    ),
    ("backdrop", "too_flat"): Message("Paper falls off {tenths}, {off} too flat.", _CHECK_PAPER),
    ("backdrop", "uneven"): Message("Paper uneven by {hundredths} stop.", _CHECK_PAPER),
    ("backdrop", "bright_blotch"): Message(
        "Bright blotch of {measured} on the paper{at}.",
        "Look for a crease or a stray shadow.",
        ("Bright blotch of {measured} on the paper.", "Blotch of {measured} on the paper."),
    ),
    ("backdrop", "dark_blotch"): Message(
        "Dark blotch of {measured} on the paper{at}.",
        "Look for a crease or a stray shadow.",
        ("Dark blotch of {measured} on the paper.", "Blotch of {measured} on the paper."),
    ),
    ("backdrop", "tinted"): Message(
        "Paper tinted left against right by {hundredths} stop.",
        "Check gels and lamps' ages.",
        ("Paper's colour off by {hundredths}.",),
    ),
    ("backdrop", "not_seen"): Message("Backdrop {figure} not seen."),
    ("blown", "blown"): Message(
        "Blown area of {share}{beside}{at}.",
        "Less light there, or let it clip.",
        ("Blown area{where}, {share}.", "Blown area, {share}."),
    ),
    ("blown", "may_be_clipped"): Message(
        "Up to {most} of the frame may be blown.",
        "Shoot one 2 over, say expect clip.",
        ("Up to {most} may be blown.",),
        is_advice=True,
    ),
    ("blown", "clear"): Message("No blown area outside patches."),
    ("pinpoints", "blown"): Message(
        "{count} {share} of the frame.",
        "Find the glints: move or dull them.",
        ("Pinpoints cover {share}.",),
    ),
    ("pinpoints", "clear"): Message("No pinpoints."),
    ("setting", "setting"): Message(
        "{setting} at {found}, plan {plan}.",
        "Camera back to {plan}.",
        ("{all_off}{found}, plan {plan}.",),
    ),
    ("setting", "as_asked"): Message("Shutter at {found}, as asked."),
    ("setting", "not_seen"): Message("The file doesn't say its {setting}."),
    ("exposure", "over"): Message("All {off} over.", "Turn all lamps down {off}."),
    ("exposure", "under"): Message("All {off} under.", "Turn all lamps up {off}."),
    ("exposure", "knocked"): Message(
        "All {off} {over}: {found}, plan {plan}.", "Camera back to {plan}."
    ),
    ("shutter", "edge"): Message(
        "Shutter's edge covers {share} at the {side}.",
        "{slower_than_sync}",
        ("Shutter's edge at the {side}, {share}.",),
    ),
    ("shutter", "slope"): Message(
        "Light slopes {measured} along the shutter's travel.",
        "{shoot_slower}",
        ("Light slopes {measured} with the shutter.",),
    ),
    ("ambient", "over"): Message("Room light reaches {measured}.", "Darken the room."),
    ("lamp", "none_fired"): Message("No lamp fired.", "Check the trigger, shoot again."),
    ("lamp", "out"): Message("{lamp} did not fire.", "Stop. Check it, shoot again."),
    ("lamp", "likely_out"): Message("{lamp} likely did not fire.", "Check it, shoot again."),
    ("lamp", "weak"): Message("{lamp} {off} weak.", "{check_power}, await ready."),
    ("lamp", "strong"): Message("{lamp} {off} strong.", "{check_power}."),
    ("lamp", "not_ready"): Message(
        "{lamp} {off} weak, {since} s after the last.", "Wait for ready."
    ),
    ("lamp", "not_dumped"): Message(
        "{lamp} still at the old power: not dumped.",
        "Fire it once, shoot again.",
        ("{lamp} at the old power: not dumped.",),
    ),
    ("lamp", "old_power"): Message(
        "{lamp} still at the old power.",
        "{check_power}, shoot again.",
        ("{lamp} still at the old power.", "{lamp} at the old power."),
    ),
    ("lamp", "out_of_spot"): Message(
        "Sitter is out of the {lamp}'s spot.",
        "{way_back}",
        ("Sitter is out of the {lamp}'s spot.", "Sitter is out of the spot."),
    ),
    ("lamp", "beyond_light"): Message(
        "Sitter moves {far}, the spot gives {gives}.", "Widen the {lamp}, or mark the floor."
    ),
    ("lamp", "spot_moved"): Message(
        "{lamp}'s spot {way} about {far} of frame.",
        "{secure}",
        ("{lamp}'s spot {way} about {far} of frame.", "{lamp}'s spot {way} {far}.",
         "{lamp}'s spot has moved."),
    ),
    # what a comparison of two sides says
    ("setting", "changed_taken_out"): Message(f"{_SET}, taken out."),
    ("setting", "changed_in_part"): Message(f"{_SET}, taken out of what burns all the time."),
    ("setting", "changed_left_in"): Message(
        f"{_SET}, left in: what of the light is ambient isn't known."
    ),
    ("setting", "framing_changed"): Message(
        "The framing changed{shift}.",
        "Patches that don't follow hold other things now and aren't compared.",
        ("The framing changed{shift}.", "The framing changed."),
        is_advice=True,
    ),
    ("setting", "sitter_moved"): Message(
        "The sitter moved{shift}.",
        "The sitter's patches moved too; the lamps are no cause of that.",
        ("The sitter moved{shift}.", "The sitter moved."),
        is_advice=True,
    ),
    ("setting", "something_moved"): Message(
        "Sitter or framing moved{shift}.",
        "Hold patch figures loosely: they may lie in another part of the light.",
        ("Sitter or framing moved{shift}.", "Sitter or framing moved."),
        is_advice=True,
    ),
    ("setting", "camera_moved"): Message(
        "Camera moved: picture {went}.", "{boxes_follow}", is_advice=True
    ),
    ("setting", "off_mark"): Message("Sitter {to_side} of frame.", "{not_read}", is_advice=True),
    ("setting", "no_boxes"): Message(
        "Camera {held}: no boxes for it.", "Make a look: look {held} --new.", is_advice=True
    ),
    ("lamp", "not_seen"): Message("{lamp} not seen on both sides."),
    ("lamp", "changed"): Message("{lamp} {moved}."),
    ("lamp", "as_said"): Message("{lamp} {moved}, as said."),
    ("lamp", "near_said"): Message("{lamp} {moved}, said was {said}."),
    ("lamp", "off_said"): Message("{lamp} {moved}, said was {said}."),
    ("lamp", "nobody_turned"): Message(
        "{lamp} {moved}, and nobody turned it.", "Look at the {lamp}'s power and stand."
    ),
    ("lamp", "not_turned"): Message("{lamp} still at the old power."),
    ("patch", "changed"): Message("{of} {moved}."),
    ("patch", "changed_over"): Message("{of} {moved}, {off} over what its lamps gave."),
    ("patch", "changed_under"): Message("{of} {moved}, {off} under what its lamps gave."),
    ("exposure", "changed"): Message("Everything {moved}, settings taken out."),
    ("lamp", "less_red"): Message(f"{_COLOUR} less red (R/G).", _LEVEL),
    ("lamp", "redder"): Message(f"{_COLOUR} redder (R/G).", _LEVEL),
    ("lamp", "less_blue"): Message(f"{_COLOUR} less blue (B/G).", _LEVEL),
    ("lamp", "bluer"): Message(f"{_COLOUR} bluer (B/G).", _LEVEL),
    # what the run of a take says, on the frame that it began with
    ("lamp", "single"): Message("{lamp} {measured} {up} in this frame.", "{leave_out}"),
    ("lamp", "step"): Message(
        "{lamp} {measured} {up} from here on.",
        "If that was you, begin a take; else look at the {lamp}'s power and stand.",
    ),
    ("lamp", "drift"): Message(
        "{lamp} {measured} {up} little by little.", "Let the {lamp} cool, or set its power again."
    ),
    ("patch", "single"): Message("{of} {measured} {up} in this frame{steady}.", _WITH_TAKE),
    ("patch", "step"): Message("{of} {measured} {up} from here on{steady}.", _WITH_TAKE),
    ("patch", "drift"): Message("{of} {measured} {up} little by little{steady}.", _WITH_TAKE),
    ("exposure", "single"): Message("Everything {measured} {up} in this frame.", _LOOK),
    ("exposure", "step"): Message("Everything {measured} {up} from here on.", _LOOK),
    ("exposure", "drift"): Message("Everything {measured} {up} little by little.", _LOOK),
}  # fmt: skip
"""What is said of each code, by what was checked."""

NoteCode = Literal[
    "no ambient",
    "settings",
    "brought",
    "other body",
    "unlit",
    "two lit",
    "overfed",
    "clipped",
    "ambient share",
    "meter",
    "no solo",
    "unread patch",
    "no spot",
    "none fired",
    "lit",
    "bright",
    "same",
    "sitter in plate",
    "not over",
    "two levels",
    "clip of other body",
    "sitter off",
    "sitter not placed",
    "sure to",
    "others changed",
    "gives more",
    "falls otherwise",
    "too faint",
    "unknown in",
    "inverse square",
    "other iso",
    "stop named",
    "clips to",
    "other look",
    "not said",
]
"""What is said of solos and the plan's other own frames."""

NOTES: dict[NoteCode, tuple[str, str]] = {
    "no ambient": ("No ambient frame: each solo still holds the ambient.", ""),
    "settings": (
        "The {lamp} solo was taken at ISO {iso:g}, f/{f:g}: brought {stops:+.1f} stops.",
        "",
    ),
    "brought": ("The {lamp} solo was brought {stops:+.1f} stops.", ""),
    "other body": (
        "The {lamp} solo comes from another camera or size than the {first} solo.",
        "Take all solos with one body, at one size: stopwise expect {lamp}",
    ),
    "unlit": ("No lamp fired in the {lamp} solo.", "Check the trigger, shoot {lamp} again."),
    "two lit": (
        "The {lamp} solo holds the light of {all} too.",
        "Cap {all}, shoot {lamp} again.",
    ),
    "overfed": (
        (
            "The {lamp} lamp gave {more} alone than with all lamps lit: "
            "the pack gave it the others' energy."
        ),
        "Cap the other heads, don't switch them off, and shoot {lamp} again.",
    ),
    "clipped": (
        "The {lamp} solo is clipped in {listed}: its light there is at least what it shows.",
        "Turn {lamp} down a stop and take its solo again.",
    ),
    "ambient share": (
        "Ambient light is {percent:.0f} % of {first}.",
        "Dim the room and the modelling lamps, or shorten the shutter.",
    ),
    "meter": (
        (
            "Against {first}, {lamp} gives about {stops:.1f} stops more on {last} than their meter "
            "readings say."
        ),
        (
            "Meter {lamp} again with the dome in its hot centre: "
            "a spot smaller than the dome reads low."
        ),
    ),
    "no solo": (
        "No solo of {lamp}: it isn't turned, and its light isn't in what is predicted.",
        "Shoot it alone: stopwise expect {lamp}",
    ),
    "unread patch": ("The solos were read without patch {first}: its targets are left out.", ""),
    "no spot": (
        "No spot with its edge is seen on a plain white card.",
        "Hold a matt white card at the face, wider than the spot, this lamp alone, nothing blown.",
    ),
    "none fired": ("No lamp fired.", "Check the trigger, shoot {lamp} again."),
    "lit": ("{All} fired in it.", "Switch the trigger off, shoot again."),
    "bright": (
        "It is as bright as a lit frame.",
        "Trigger off, modelling lamps off, shoot again.",
    ),
    "same": ("It shows {first} alone.", "Light {lamp} alone, shoot again."),
    "sitter in plate": (
        "Somebody stands before the paper.",
        "Clear the set but for the paper and its lamps, shoot plate again.",
    ),
    "not over": (
        "It isn't far enough over: {listed} not full all over what is white.",
        "Open up two stops on anything white, shoot clip again.",
    ),
    "two levels": (
        "Photosites stop at two levels in {listed}.",
        "Shoot one white thing alone two stops over, at one setting of the body.",
    ),
    "clip of other body": (
        "It comes from {first}, and the plan's frames from {last}.",
        "Shoot clip with the body of this shoot.",
    ),
    "sitter off": (
        "In the {lamp} solo the sitter stood {percent:.1f} % of the frame off the reference.",
        "His patches are followed there; light that stays with the set may be off by its slope.",
    ),
    "sitter not placed": (
        "In the {lamp} solo the sitter isn't found against the reference.",
        "Shoot {lamp} again, the sitter at the mark.",
    ),
    "sure to": ("Its light is sure to {stops:.2f} stop.", ""),
    "gives more": (
        "With {lamp} on, {first} gives {stops:.1f} stop more than in the frame before.",
        "Turn and move nothing between the two, or shoot {lamp} alone.",
    ),
    "others changed": (
        "With {lamp} on, {who} less than in the frame before.",
        "Turn nothing between the two, or shoot {lamp} alone{or_moved}.",
    ),
    "falls otherwise": (
        "It falls otherwise than before: {lamp} was moved or flagged, or the sitter turned.",
        "",
    ),
    "too faint": (
        "Its light is sure to {stops:.1f} stop only.",
        "Shoot {lamp} alone, or turn the others down for it.",
    ),
    "unknown in": (
        "In {listed} one of its two frames is clipped: {lamp} isn't known there.",
        "Turn down what blows it, or shoot {lamp} alone.",
    ),
    "inverse square": (
        "Nearer or farther, {lamp} is counted at its middle alone: a narrow spot shrinks or grows.",
        "Shoot its solo again once it stands there: stopwise expect {lamp}",
    ),
    "stop named": (
        "Up to {percent:.1f} % of the frame may clip: where this body stops isn't known.",
        "Shoot a frame far over: stopwise expect clip",
    ),
    "other look": (
        "The solos of {listed} show other clothes than {lamp}: patches of these aren't known.",
        "Shoot them anew in it: stopwise expect {listed}",
    ),
    "not said": (
        "{lamp} stands at {first}: it is worked out from what was read.",
        "If that is so, say it: stopwise take",
    ),
    "clips to": ("Up to {percent:.1f} % of the frame may clip.", ""),
    "other iso": (
        "Mid-grey was set at ISO {iso:g}: at another a frame's zones aren't seen.",
        "Shoot a card there first.",
    ),
}
"""What it is, and what to do."""

UnmetReason = Literal["no lamp", "kept", "top", "bottom", "rival", "step", "tried"]
"""Why a target stays unmet: no lamp moves it; the lamp that would is kept, or at the top or bottom
of its range; another target pulls against it; a step is coarser than what is short. Powers that
were only tried need no reason.
"""

UNSURE = (
    "{figure} within {stops:.2f} only: noise, or sitter or lamp stand elsewhere than in the solos. "
    "Shoot them again."
)
"""What is said of a target that is met but can't be promised."""

BOUND = "{figure} not seen: a solo is clipped there. Shoot it again, turned down."
"""What is said of one that may be met, where light is at least what is told."""

UNMET: dict[UnmetReason, str] = {
    "no lamp": "no lamp moves it",
    "kept": "{lamp} is kept as it is",
    "top": "{lamp} is at the top of its range",
    "bottom": "{lamp} is at the bottom of its range",
    "rival": "it pulls against {rival}",
    "step": "one step of {lamp} is coarser than that",
}
"""What stands after "Hair 0.40 under what is allowed: "."""

HelpCode = Literal["let turn", "open", "close", "nearer", "away", "nearer to", "away to", "board"]
"""What would help: turning the lamp too; the aperture or ISO for all, the others turned back; the
lamp nearer or farther, with or without its distance; a board, which follows its lamp, nearer.
"""

HELPS: dict[HelpCode, str] = {
    "let turn": "Let {lamp} be turned too.",
    "open": "Open the aperture {stops:.1f}{mark} or ISO up {stops:.1f}, and turn the other lamps "
    "down {stops:.1f}.",
    "close": "Close the aperture {stops:.1f}{mark} or ISO down {stops:.1f}, and turn the other "
    "lamps up {stops:.1f}.",
    "nearer": "Move {lamp} nearer.",
    "away": "Move {lamp} away.",
    "nearer to": "Move {lamp} from {now:.1f} m to about {then:.1f} m.",
    "away to": "Move {lamp} from {now:.1f} m to about {then:.1f} m.",
    "board": "A board follows its lamp: move the {what} nearer.",
}

AIMED: dict[str, str] = {
    "separation": " apart",
    "headroom": " headroom",
    "clip": " clipping",
    "blown": " blown",
}
"""How a figure that was dialled is told after its name, where that alone doesn't say it."""

"""Every condition that a file or a figure can be in: code, name, short and long text.

Text output, the board, the ledger and the docs all read this table, so that one condition has one
wording everywhere. Codes are kept for good: a code is never used again for something else.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True)
class Condition:
    """One row of the table.

    Attributes
    ----------
    code
        Number that the ledger keeps; 1xx a file, 2xx a figure that is not seen.
    name
        How code refers to it.
    short
        A few words that complete "F0001.dng: ...", without a full stop.
    long
        What it means and what to do, in one or two sentences.
    """

    code: int
    name: str
    short: str
    long: str


_ROWS = (
    # files that give no trustworthy pixels
    Condition(101, "empty", "the file is empty", "The file holds no bytes. Copy it again."),
    Condition(
        102,
        "not_raw",
        "not a camera raw file",
        "The decoder doesn't know this file as a camera raw. Keep other files out of the folder.",
    ),
    Condition(
        103,
        "cut_short",
        "the file is cut short",
        "Its own directory promises more bytes than are there. Wait, or copy it again.",
    ),
    Condition(
        104,
        "one_value",
        "all photosites hold one value",
        "The pixel data is missing or was stripped. The picture can't be judged.",
    ),
    Condition(
        105,
        "unsupported",
        "a raw file of a kind that isn't read",
        "The decoder knows the container but not its pixels. Set the camera to a full raw format.",
    ),
    Condition(
        106,
        "reduced",
        "a reduced raw without a mosaic",
        "The camera wrote a processed, smaller picture. Set it to full-size raw.",
    ),
    Condition(
        107,
        "damaged",
        "the pixel data is damaged",
        "The decoder could not fill the picture. Copy the file again from the card.",
    ),
    Condition(
        108,
        "decoder_failed",
        "the decoder failed on it",
        "The decoder stopped, hung or ran out of memory on this file. The watcher goes on.",
    ),
    Condition(
        109,
        "too_large",
        "it claims a size that can't be true",
        "Its header claims more photosites than the file or the memory limit can hold.",
    ),
    Condition(
        110,
        "no_access",
        "it can't be opened",
        "The system refuses to open the file. Check its permissions; it is tried again.",
    ),
    # figures that are not seen
    Condition(
        201,
        "other_camera",
        "mid-grey was set for another body or ISO",
        "Zones need a grey frame from this body at this ISO. Ratios, backdrop and clipping go on.",
    ),
    Condition(202, "no_light", "no light above black", "Nothing stands above black here."),
    Condition(
        203,
        "not_followed",
        "the patch was not found again",
        "The sitter has moved or turned away, so the patch is not judged.",
    ),
    Condition(
        204,
        "one_heap",
        "lit and shadow don't part",
        "The subject's tones form one heap, so no ratio is taken. Name two patches.",
    ),
    Condition(
        205,
        "no_pairs",
        "no mirror-image pairs of backdrop",
        "No part of the backdrop has its mirror image in the backdrop, clear of the sitter.",
    ),
    Condition(206, "too_few", "too few cells", "The box holds too few cells for this figure."),
    Condition(207, "all_clipped", "clipped", "All of it is clipped: the true value lies above."),
    Condition(
        208, "not_lit", "its lamps are not lit yet", "This wish waits until its lamps are lit."
    ),
    Condition(
        209,
        "no_metadata",
        "the file doesn't say",
        "The file holds no such setting, so it can't be compared with the plan.",
    ),
    Condition(
        210, "patch_not_seen", "a patch that it needs is not seen", "One of its patches isn't seen."
    ),
    Condition(
        211,
        "no_colour",
        "no colour here",
        "The sensor has one colour, or a colour holds no light above black.",
    ),
)

CONDITIONS: Mapping[str, Condition] = MappingProxyType({row.name: row for row in _ROWS})
"""The table, by name."""


def condition(name: str) -> Condition:
    """Return the row called `name`.

    Raises
    ------
    KeyError
        If the table has no such row.
    """
    return CONDITIONS[name]

"""Every condition that a file or a figure can be in: code, name, short and long text.

Text output, the page, the ledger and the docs all read this table, so that one condition has one
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
        Number that the ledger keeps; 1xx a file, 2xx a figure that is not seen or is in doubt, 3xx
        the watch, 4xx one of the plan's own frames.
    name
        How code refers to it.
    short
        A few words that complete "F0001.dng: ...", without a full stop.
    long
        What it means and what to do, in one or two sentences.
    do
        Of a file: what to do, as the headline says it; of one of the plan's own frames, as its line
        does.
    """

    code: int
    name: str
    short: str
    long: str
    do: str = ""


_ROWS = (
    # files that give no trustworthy pixels
    Condition(
        101,
        "empty",
        "the file is empty",
        "The file holds no bytes. Copy it again.",
        "Copy it again.",
    ),
    Condition(
        102,
        "not_raw",
        "not a camera raw file",
        "The decoder doesn't know this file as a camera raw. Keep other files out of the folder.",
        "Keep other files out of the folder.",
    ),
    Condition(
        103,
        "cut_short",
        "the file is cut short",
        "Its own directory promises more bytes than are there. Wait, or copy it again.",
        "Wait, or copy it again.",
    ),
    Condition(
        104,
        "one_value",
        "all photosites hold one value",
        "The pixel data is missing or was stripped. The picture can't be judged.",
        "Copy it again from the card.",
    ),
    Condition(
        105,
        "unsupported",
        "a raw file of a kind that isn't read",
        "The decoder knows the container but not its pixels. Set the camera to a full raw format.",
        "Set the camera to a full raw format.",
    ),
    Condition(
        106,
        "reduced",
        "a reduced raw without a mosaic",
        "The camera wrote a processed, smaller picture. Set it to full-size raw.",
        "Set the camera to full-size raw.",
    ),
    Condition(
        107,
        "damaged",
        "the pixel data is damaged",
        "The decoder could not fill the picture. Copy the file again from the card.",
        "Copy it again from the card.",
    ),
    Condition(
        108,
        "decoder_failed",
        "the decoder failed on it",
        "The decoder stopped, hung or ran out of memory on this file. The watcher goes on.",
        "Shoot on, keep the file.",
    ),
    Condition(
        109,
        "too_large",
        "it claims a size that can't be true",
        "Its header claims more photosites than the file or the memory limit can hold.",
        "Copy it again from the card.",
    ),
    Condition(
        110,
        "no_access",
        "it can't be opened",
        "The system refuses to open the file. Check its permissions; it is tried again.",
        "Check its permissions.",
    ),
    Condition(
        111,
        "changed",
        "it changed while it was read",
        "The file held other bytes at the end of decoding than at its beginning. "
        "It is judged once it is at rest.",
        "Wait, then judge it again.",
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
        "The subject's tones form one class, so no ratio is taken. Name two patches.",
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
        208, "not_lit", "its lamps are not lit yet", "This target waits until its lamps are lit."
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
    Condition(
        212,
        "other_stuff",
        "bright and dark may be two materials",
        "Nothing shows that bright and dark are one material, lit and in shadow. Name two patches.",
    ),
    Condition(
        213,
        "black_off",
        "black isn't that of its masked margins",
        "The dark rim of the sensor stands at another level than the black that the file names. "
        "The file's black is used; don't trust the deepest shadows.",
    ),
    Condition(
        214,
        "beside_sitter",
        "can't be told from the sitter's edge",
        "The greatest blotch lies at the sitter's edge, and may be his. Shoot a clean plate.",
    ),
    Condition(
        215,
        "above_shot",
        "light stands above the plan's [camera.clip]",
        "More photosites than hot ones read above the level at which the plan says that this body "
        "stops, so it isn't used. Shoot one 2 stops over again: say expect clip.",
    ),
    # what a watcher has to tell besides records
    Condition(
        301,
        "jpegs_only",
        "JPEGs only, no raw",
        "The camera sends JPEGs without a raw file. Set it to raw, or to raw and JPEG.",
    ),
    Condition(
        302,
        "never_came",
        "never came",
        "The camera's numbering leaves this frame out. Look for it on the card.",
    ),
    Condition(
        303,
        "still_written",
        "still being written",
        "The file isn't whole yet. It is judged when it is, or called unreadable once it rests.",
    ),
    Condition(
        304,
        "passed_over",
        "passed over",
        "Links, pipes, sockets and devices are never opened. Put the file itself in the folder.",
    ),
    Condition(
        305,
        "folder_gone",
        "the folder isn't there",
        "The watched folder can't be reached. Mount it again or put it back; the watcher waits.",
    ),
    Condition(
        306,
        "folder_back",
        "the folder is back",
        "The watched folder can be reached again, and what came meanwhile is judged.",
    ),
    Condition(
        307,
        "ledger_waits",
        "the ledger can't be written",
        "Records wait in memory and are written as soon as it can be. Make room on its disk.",
    ),
    Condition(
        308,
        "ledger_writes",
        "the ledger is written again",
        "All records that waited are kept now.",
    ),
    Condition(
        309,
        "ledger_set_aside",
        "the ledger was damaged and is set aside",
        "A new ledger is begun and filled from the frames. The old file stays under its new name.",
    ),
    Condition(
        310,
        "other_watcher",
        "another watcher works on this folder",
        "Two watchers don't judge one folder into one ledger. This one waits for the other to end.",
    ),
    Condition(
        311,
        "plan_broken",
        "the plan can't be taken, the one before holds",
        "The plan as it was before goes on. Mend the file and it is read again.",
    ),
    Condition(
        312, "plan_read", "the plan is read again", "The next frames are judged by the new plan."
    ),
    Condition(
        313,
        "same_content",
        "the same picture as an earlier file",
        "Its bytes are those of a frame that is kept already, so it isn't judged again.",
    ),
    Condition(
        314,
        "sweep_only",
        "no folder events",
        "The system gives no more folder events, so the folder is looked through at intervals.",
    ),
    Condition(
        315,
        "backlog",
        "frames are there already",
        "They are judged in the order in which they landed; frames that land now go before them.",
    ),
    Condition(
        316,
        "read_fails",
        "it can't be read now",
        "Its disk or network refuses to give its bytes. It is tried again.",
    ),
    Condition(
        317,
        "auto_iso",
        "ISO changes by itself",
        "The camera is on auto ISO. Set it by hand, or no two frames can be compared.",
    ),
    Condition(
        318,
        "cropped",
        "the picture has another shape",
        "The camera is in a crop mode or another format. The plan's boxes don't fit it.",
    ),
    Condition(
        319,
        "smaller",
        "the picture is smaller",
        "The camera is in a crop mode or writes a reduced raw. Set it to the full picture.",
    ),
    Condition(
        320,
        "fewer_bits",
        "the levels are coarser",
        "The camera writes fewer bits than before. Set it to its full depth.",
    ),
    Condition(
        321,
        "little_room",
        "the disk is nearly full",
        "Frames that find no room are lost. Make room, or shoot to another disk.",
    ),
    Condition(
        322,
        "ledger_other",
        "the ledger's file was taken away or replaced",
        "The one that lies there now is used, or a new one begun. What it lacks is judged again.",
    ),
    # the plan's own frames
    Condition(
        401,
        "frame_missing",
        "not there",
        "Until it is, it tells nothing of the set. Shoot it, put it back, or mark another frame.",
        "Shoot it, or mark another frame.",
    ),
    Condition(
        402,
        "frame_unusable",
        "not usable",
        "It tells nothing of the set. Shoot it again and mark it.",
        "Shoot it again and mark it.",
    ),
    Condition(
        403,
        "frame_of_other_size",
        "of another size than this frame",
        "No lamp can be named in a frame that lies otherwise. Solos shot that way up would tell.",
        "No lamp is named in it: solos shot this way up would tell.",
    ),
    Condition(
        404,
        "frame_of_other_camera",
        "of another camera than this frame",
        "Two bodies record light otherwise. Mark frames that this body took.",
        "Mark frames that this body took.",
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

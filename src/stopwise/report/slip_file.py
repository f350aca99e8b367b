"""Where a slip is kept: over an older one of the same thing, beside whatever else has that name."""

from __future__ import annotations

import hashlib
import io
import warnings
from itertools import count
from typing import TYPE_CHECKING

from stopwise.errors import WrongUse, refusal
from stopwise.plan.loading import read_plain
from stopwise.whole_file import write_whole

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

_OF = "Of"
"""Keyword of the text in a slip's PNG that says what it was drawn of."""

_HEAD_BYTES = 1 << 16
"""First bytes of a PNG in which that text is looked for; in a slip it stands before the picture."""


def keep_slip(folder: Path, stem: str, of: str, draw: Callable[[dict[str, str]], bytes]) -> Path:
    """Draw a slip into a folder and return its path.

    Parameters
    ----------
    folder
        Where to; made if it isn't there.
    stem
        Its name without `.png`. Where that is taken by a file that isn't a slip of the same thing,
        a number is put behind.
    of
        What it shows: a frame's whole path, the names of two sides. It is kept as a digest, so that
        no slip that is handed on tells where its frame lay.
    draw
        Returns the PNG, with the texts that it is given inside.

    Raises
    ------
    WrongUse
        If it can't be written.
    """
    make_folder(folder)
    digest = hashlib.sha256(of.encode("utf-8", "surrogateescape")).hexdigest()[:16]
    names = (f"{stem}.png" if number == 1 else f"{stem}-{number}.png" for number in count(1))
    place = next(path for name in names if _is_free(path := folder / name, digest))
    write_whole(place, draw({_OF: digest}))
    return place


def make_folder(folder: Path) -> None:
    """Make a folder for output.

    Raises
    ------
    WrongUse
        If it can't be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:
        msg = f"{folder} can't be made: {refusal(error)}. Name a folder that can be written."
        raise WrongUse(msg) from None


def _is_free(place: Path, digest: str) -> bool:
    """Tell whether a slip may be put there: nothing lies there, or a slip of the same thing."""
    if place.is_symlink():
        return False
    from PIL import Image

    try:
        head = read_plain(place, _HEAD_BYTES)
        if head is None:
            return False
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(head)) as picture:
                return picture.info.get(_OF) == digest
    except FileNotFoundError:
        return True
    except (OSError, ValueError, SyntaxError, Warning, Image.DecompressionBombError):
        return False

"""A file written whole or not at all: beside its place first, and never through a link."""

from __future__ import annotations

import os
import secrets
import stat
from contextlib import contextmanager
from typing import TYPE_CHECKING

from stopwise.errors import WrongUse, refusal

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

_NEW = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)


def write_whole(target: Path, content: bytes) -> None:
    """Put a file in its place in one step; what it replaces, a link too, is never written through.

    Parameters
    ----------
    target
        Where it is to be. A file or a link there is replaced.
    content
        All its bytes.

    Raises
    ------
    WrongUse
        If it can't be written, or something else than a file lies there; nothing is changed then.
    """
    try:
        if _is_special(target):
            msg = f"{target} isn't a file, so nothing is written there. Name another."
            raise WrongUse(msg)
        replace_file(target, content)
    except (OSError, ValueError) as error:
        why = refusal(error)
        msg = f"{target} can't be written: {why}. Name a place that has room and may be written to."
        raise WrongUse(msg) from None


@contextmanager
def beside(
    target: Path, *, mode: int | None = None, check: Callable[[], None] | None = None
) -> Iterator[Path]:
    """Yield a path beside a file's place, and put what was written there in its place at the end.

    Parameters
    ----------
    target
        The place. A link there is replaced, never followed.
    mode
        Its rights, as of chmod(2); None for those that it was written with.
    check
        Called when all but the step is done; what it raises leaves the place as it is.

    Raises
    ------
    OSError
        If it can't be written; nothing is changed then, as where the block fails.
    """
    spare = target.with_name(f".{secrets.token_hex(8)}.part")
    try:
        yield spare
        with spare.open("rb+") as file:
            os.fsync(file.fileno())
        if mode is not None:
            spare.chmod(mode)
        if check is not None:
            check()
        spare.replace(target)
    finally:
        spare.unlink(missing_ok=True)


def replace_file(
    target: Path,
    content: bytes,
    *,
    mode: int | None = None,
    check: Callable[[], None] | None = None,
) -> None:
    """Put bytes in a file's place in one step, once the disk has them; see :func:`beside`.

    A file that is to have rights of its own is nobody else's while it is written.
    """
    own = 0o666 if mode is None else 0o600
    with (
        beside(target, mode=mode, check=check) as spare,
        os.fdopen(os.open(spare, _NEW, own), "wb") as file,
    ):
        file.write(content)


def _is_special(target: Path) -> bool:
    """Tell whether a folder, pipe or device lies there."""
    try:
        mode = target.lstat().st_mode
    except FileNotFoundError:
        return False
    return not (stat.S_ISREG(mode) or stat.S_ISLNK(mode))

"""A plan file being edited: read once, changed in memory, written whole or not, undone once."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from stopwise.errors import PathMissing, WrongUse
from stopwise.plan.editing import add_table, remove_key, remove_table, set_value
from stopwise.plan.reading import plan_of, plan_of_text
from stopwise.plan.source import decode_text, source_of_text

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.plan.model import Plan
    from stopwise.plan.places import Path as KeyPath

_MARK = b"\xef\xbb\xbf"


@dataclass(frozen=True, slots=True)
class Draft:
    """A plan's text on its way from one state of the file to the next.

    Attributes
    ----------
    file
        The plan file.
    before
        Its bytes when it was read.
    text
        The text as edited so far.
    """

    file: Path
    before: bytes
    text: str

    @property
    def plan(self) -> Plan:
        """The plan as edited so far.

        Raises
        ------
        PlanError
            If the edits have made it wrong.
        """
        return plan_of_text(self.text, self.file.name)

    def set(self, path: KeyPath, value: object, *, was: str = "") -> Draft:
        """Write one key, see :func:`stopwise.plan.editing.set_value`."""
        return replace(self, text=set_value(self.text, path, value, was=was))

    def add(self, path: KeyPath, values: Mapping[str, object]) -> Draft:
        """Add a table, see :func:`stopwise.plan.editing.add_table`."""
        return replace(self, text=add_table(self.text, path, values))

    def drop(self, path: KeyPath) -> Draft:
        """Take a key out, see :func:`stopwise.plan.editing.remove_key`."""
        return replace(self, text=remove_key(self.text, path))

    def remove(self, path: KeyPath) -> Draft:
        """Take a table out, see :func:`stopwise.plan.editing.remove_table`."""
        return replace(self, text=remove_table(self.text, path))

    def save(self, *, what: str = "") -> None:
        """Write the file whole, and keep what it was for one undo.

        Parameters
        ----------
        what
            How the edit is called, for an undo that means only such a one.

        Raises
        ------
        PlanError
            If the edits have made the plan wrong; nothing is written then.
        WrongUse
            If the file changed since it was read, or can't be written.
        """
        self.plan  # noqa: B018  a wrong plan is never written
        mark = _MARK if self.before.startswith(_MARK) else b""
        after = mark + self.text.encode()
        if after == self.before:
            return
        _write(self.file, self.before, after)
        _keep_undo(self.file, self.before, after, what)


def open_draft(path: str | Path) -> Draft:
    """Read a plan file to edit it.

    Raises
    ------
    PathMissing
        If it isn't there.
    PlanError
        If it is wrong already: mend it by hand first.
    """
    file = Path(path).resolve()
    try:
        before = file.read_bytes()
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        msg = f"The plan {path} can't be opened: {why}. `stopwise plan new` writes one."
        raise PathMissing(msg) from None
    source = source_of_text(decode_text(before, file.name), file.name)
    plan_of(source)  # edits start from a plan that holds
    return Draft(file, before, source.text)


def undo_edit(path: str | Path, *, what: str = "") -> str:
    """Put the plan back to what it was before the last edit by the program.

    Parameters
    ----------
    path
        The plan file.
    what
        How that edit must be called; "" for whichever it was.

    Returns
    -------
    str
        How that edit was called.

    Raises
    ------
    WrongUse
        If there is nothing to undo, or the file was changed by hand since.
    """
    file = Path(path).resolve()
    kept = undo_file(file)
    try:
        note = json.loads(kept.read_text(encoding="utf-8"))
        now = file.read_bytes()
        before = bytes.fromhex(note["before"])
    except (OSError, ValueError, KeyError, TypeError):
        msg = f"There is no edit of {file.name} to undo: only the last one by the program can be."
        raise WrongUse(msg) from None
    if what and note.get("what") != what:
        msg = f"The last edit of {file.name} was none of `{what}`, so nothing was undone."
        raise WrongUse(msg)
    if hashlib.sha256(now).hexdigest() != note.get("after"):
        msg = f"{file.name} was changed since that edit, so nothing was undone. Mend it by hand."
        raise WrongUse(msg)
    _write(file, now, before)
    kept.unlink(missing_ok=True)
    return str(note.get("what") or "")


def undo_file(file: Path) -> Path:
    """Return where the state before the last edit is kept: a dot file beside the plan."""
    return file.with_name(f".{file.name}.undo")


def _keep_undo(file: Path, before: bytes, after: bytes, what: str) -> None:
    digest = hashlib.sha256(after).hexdigest()
    note = {"before": before.hex(), "after": digest, "what": what}
    try:
        undo_file(file).write_text(json.dumps(note), encoding="utf-8")
    except OSError:
        undo_file(file).unlink(missing_ok=True)


def _write(file: Path, before: bytes, after: bytes) -> None:
    """Replace the file in one step, unless it is no longer what was read."""
    spare = ""
    try:
        handle, spare = tempfile.mkstemp(dir=file.parent, prefix=f".{file.name}.")
        with os.fdopen(handle, "wb") as opened:
            opened.write(after)
            opened.flush()
            os.fsync(opened.fileno())
        shutil.copymode(file, spare)
        if file.read_bytes() != before:
            msg = f"{file.name} was changed meanwhile, so nothing was written. Try again."
            raise WrongUse(msg)
        Path(spare).replace(file)
    except OSError as error:
        msg = f"{file} can't be written: {error.strerror or error}. Nothing was changed."
        raise WrongUse(msg) from None
    finally:
        if spare:
            Path(spare).unlink(missing_ok=True)

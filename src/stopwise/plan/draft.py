"""A plan file being edited: read once, changed in memory, written whole or not, undone once.

Every edit leaves every other letter, comment and line where a person put it. tomlkit writes the
keys of the one table that an edit is about, and tables are added and taken out as whole blocks:
given the whole file it moves tables that stand interleaved (0.15 puts the ratio of `[[patch]]`,
`[[ratio]]`, `[[patch]]` last). Each edit is read back and held against what it should have done.
"""

from __future__ import annotations

import hashlib
import json
import re
import stat
import tomllib
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stopwise.errors import PathMissing, WrongUse, refusal
from stopwise.plan.kinds import MOST_BYTES
from stopwise.plan.loading import decode_text, plan_in, plan_of_text, read_bytes, text_of
from stopwise.plan.model import BACKDROP
from stopwise.plan.places import find_places
from stopwise.whole_file import replace_file

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from stopwise.plan.model import Plan
    from stopwise.plan.places import Path as KeyPath
    from stopwise.plan.places import Places

_MARK = b"\xef\xbb\xbf"
WAITS = "# waits for a box: draw it on the first frame"
"""Stands above a table of a new plan that is all comments, since a patch has no box yet."""

_WAITING = re.compile(rf"(?m)^{WAITS}\r?\n((?:# [^\n]*\n)+)")
_MOST_KEPT = 3 * MOST_BYTES
"""Bytes of what is kept for an undo: a plan in hexadecimal digits, and how the edit was called."""

_NAMED_BY = {"ratio": ("lit", "shadow"), "separation": ("lighter", "darker")}
"""Keys of other tables that hold the name of a patch."""


@dataclass(frozen=True, slots=True)
class Draft:
    """A plan's text on its way from one state of the file to the next.

    A key's path goes from the top of the file: ("camera", "mid_grey"), ("patch", 2, "zone").

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
        """Write one key.

        Parameters
        ----------
        path
            The key. Tables on its way that aren't there are made; elements of lists must be.
        value
            What it becomes: a number, text, true or false, a list, or a table on one line.
        was
            Why it changes. Where given, the old value stays above as a comment with this word.

        Raises
        ------
        WrongUse
            If the text is laid out so that the key can't be written safely.
        """
        places = find_places(self.text)
        value = plain_value(value)
        if (body := _body(self.text, places, path)) is not None:
            edited = self._rewritten(body, path, lambda keys, rest: _put(keys, rest, value))
        else:
            edited = _at_the_end(self.text, _block(path[:-1], {str(path[-1]): value}))
        place = places.by_path.get(path)
        old = [one for one in places.statements if place and one.start <= place.start < one.end]
        if was and old:
            start = self.text.rfind("\n", 0, old[0].start) + 1
            lines = [line.strip() for line in self.text[start : old[0].end].splitlines()]
            told = "".join(f"# {line}\n" for line in [*lines[:-1], f"{lines[-1]}  ({was})"])
            edited = edited[:start] + told.replace("\n", _newline(self.text)) + edited[start:]
        return self._checked(edited, path, lambda data: _put(data, path, value))

    def drop(self, path: KeyPath) -> Draft:
        """Take out one key, with the comment behind it.

        Raises
        ------
        WrongUse
            If there is no such key, or it can't be taken out safely.
        """
        body = _body(self.text, find_places(self.text), path)
        if body is None:
            raise _unsafe(path)
        edited = self._rewritten(body, path, _drop)
        return self._checked(edited, path, lambda data: _drop(data, path))

    def add(self, path: KeyPath, values: Mapping[str, object]) -> Draft:
        """Add one more table of several, such as a patch, behind the last of its kind.

        Parameters
        ----------
        path
            Whose kind: ("patch",), or ("look", 0, "patch").
        values
            Its keys, in the order in which they are to stand.

        Raises
        ------
        WrongUse
            If the text is laid out so that it can't be added safely.
        """
        table = {key: plain_value(value) for key, value in values.items()}
        places = find_places(self.text)
        place, owner = places.by_path.get(path), path[:-1]
        body = _body(self.text, places, path) if place and not place.is_header else None
        if body is not None:
            inline = plain_value(table)
            edited = self._rewritten(body, path, lambda keys, rest: _append(keys, rest, inline))
        else:
            behind = [one for one in places.statements if one.table[: len(path)] == path]
            behind = behind or [
                one for one in places.statements if owner and one.table[: len(owner)] == owner
            ]
            block = _block(path, table, is_one_of_many=True)
            if behind:
                end = _line_end(self.text, behind[-1].end)
                block = ("\n" + block).replace("\n", _newline(self.text))
                edited = _closed(self.text[:end]) + block + self.text[end:]
            else:
                edited = _at_the_end(self.text, block)
        return self._checked(edited, path, lambda data: _append(data, path, table))

    def add_patch(self, values: Mapping[str, object]) -> Draft:
        """Add a patch whose box was drawn, with what the plan's comments say of it until then.

        Ratios and separations that waited for it follow, where nothing else they name is missing.

        Raises
        ------
        WrongUse
            If the text is laid out so that it can't be added safely.
        """
        kept, draft = {}, self
        for block, kind, keys in _waiting(self.text):
            if kind == "patch" and keys.get("name") == values["name"]:
                kept, draft = keys, replace(draft, text=draft.text.replace(block, "", 1))
        draft = draft.add(("patch",), {**kept, **values})
        names = {patch["name"] for patch in tomllib.loads(draft.text)["patch"]} | {BACKDROP}
        for block, kind, keys in _waiting(draft.text):
            if kind != "patch" and {keys.get(side) for side in _NAMED_BY[kind]} <= names:
                draft = replace(draft, text=draft.text.replace(block, "", 1)).add((kind,), keys)
        return draft

    def remove(self, path: KeyPath) -> Draft:
        """Take out a table, with its own keys and the comments straight above it.

        Raises
        ------
        WrongUse
            If there is no such table, or it can't be taken out safely.
        """
        statements = find_places(self.text).statements
        inside = [one for one in statements if one.table[: len(path)] == path]
        if not inside or not inside[0].is_header:
            raise _unsafe(path)
        after = [one for one in statements if one.start > inside[-1].start]
        start = _comments_above(self.text, inside[0].start)
        end = _comments_above(self.text, after[0].start) if after else len(self.text)
        edited = self.text[:start] + self.text[end:]
        owner = path[:-1]
        is_implied = isinstance(path[-1], str) and all(one.table != owner for one in statements)

        def change(data: Any) -> None:
            _drop(data, path)
            if owner and is_implied and not _inside(data, owner):
                _drop(data, owner)

        return self._checked(edited, path, change)

    def rename_patch(self, path: KeyPath, name: str) -> Draft:
        """Give a patch another name, also in the ratios and separations that mean it.

        Parameters
        ----------
        path
            The patch: ("patch", 2), or ("look", 0, "patch", 1).
        name
            Its new name.

        Raises
        ------
        WrongUse
            If the text is laid out so that it can't be written safely.
        """
        data: Any = tomllib.loads(self.text)
        old = _inside(data, path)["name"]
        draft = self.set((*path, "name"), name)
        owners: list[tuple[KeyPath, Any]] = [((), data)]
        owners += [(("look", number), look) for number, look in enumerate(data.get("look", ()))]
        borne = [[one.get("name") for one in held.get("patch", ())] for _, held in owners]
        for (owner, tables), own in zip(owners, borne, strict=True):
            if owner != path[:-2]:
                # another look means its own patches first, and none of a look but its own; the
                # plan's tables mean a look's patch only where no other bears the name
                is_other = old in own if path[0] == "patch" else bool(owner)
                if is_other or (not owner and sum(names.count(old) for names in borne) > 1):
                    continue
            for kind, keys in _NAMED_BY.items():
                for number, table in enumerate(tables.get(kind, ())):
                    for key in keys:
                        if table.get(key) == old:
                            draft = draft.set((*owner, kind, number, key), name)
        return draft

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
        digest = hashlib.sha256(after).hexdigest()
        note = {"before": self.before.hex(), "after": digest, "what": what}
        undo = undo_file(self.file)
        try:
            replace_file(undo, json.dumps(note).encode(), mode=0o600)
        except OSError:
            undo.unlink(missing_ok=True)

    def _rewritten(self, body: _Keys, path: KeyPath, change: Callable[[Any, KeyPath], None]) -> str:
        """Return the text with the keys of one table changed by tomlkit."""
        from tomlkit import parse

        keys = parse(_closed(self.text[body.start : body.end]))
        try:
            change(keys, path[body.depth :])
        except (KeyError, IndexError, TypeError, AttributeError, ValueError):
            raise _unsafe(path) from None
        new = re.sub(r"(?<!\r)\n", _newline(self.text), keys.as_string())
        return self.text[: body.start] + new + self.text[body.end :]

    def _checked(self, edited: str, path: KeyPath, change: Callable[[Any], None]) -> Draft:
        """Return the draft with the new text, if it reads as the old with just this change."""
        wanted = tomllib.loads(self.text)
        try:
            change(wanted)
            found = tomllib.loads(edited)
        except (tomllib.TOMLDecodeError, KeyError, IndexError, TypeError, AttributeError):
            raise _unsafe(path) from None
        if found != wanted:
            raise _unsafe(path)
        return replace(self, text=edited)


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
    before = read_bytes(file)
    source = text_of(decode_text(before, file.name), file.name)
    plan_in(source)  # edits start from a plan that holds
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
        note = json.loads(read_bytes(kept, most=_MOST_KEPT))
        now = read_bytes(file)
        before = bytes.fromhex(note["before"])
    except (PathMissing, ValueError, KeyError, TypeError, RecursionError):
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


def _write(file: Path, before: bytes, after: bytes) -> None:
    """Replace the file in one step, unless it is no longer what was read."""

    def unchanged() -> None:
        if read_bytes(file) != before:
            msg = f"{file.name} was changed meanwhile, so nothing was written. Try again."
            raise WrongUse(msg)

    try:
        replace_file(file, after, mode=stat.S_IMODE(file.stat().st_mode), check=unchanged)
    except OSError as error:
        msg = f"{file} can't be written: {refusal(error)}. Nothing was changed."
        raise WrongUse(msg) from None


# --- data, and a table's keys as tomlkit holds them, changed alike --------------------------------


def written_number(value: float) -> float | int:
    """Return a number as a person writes it: a whole one without a point."""
    return int(value) if value == int(value) else value


def plain_value(value: object) -> Any:
    """Return a value as TOML holds it, on one line."""
    if isinstance(value, str) and not value.isprintable():
        msg = "Text that is written into a plan has one line and no control signs."
        raise WrongUse(msg)
    if isinstance(value, dict):
        from tomlkit import inline_table

        inline = inline_table()
        inline.update({key: plain_value(part) for key, part in value.items()})
        return inline
    return [plain_value(part) for part in value] if isinstance(value, list | tuple) else value


def _waiting(text: str) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Yield each table that waits for a box: its comments, its kind and its keys."""
    for found in _WAITING.finditer(text):
        with suppress(tomllib.TOMLDecodeError, ValueError):
            ((kind, (keys,)),) = tomllib.loads(re.sub(r"(?m)^# ", "", found[1])).items()
            yield found[0], kind, keys


def _inside(data: Any, path: KeyPath) -> Any:
    for part in path:
        data = data.setdefault(part, {}) if isinstance(part, str) else data[part]
    return data


def _put(data: Any, path: KeyPath, value: object) -> None:
    _inside(data, path[:-1])[path[-1]] = value


def _append(data: Any, path: KeyPath, table: object) -> None:
    _inside(data, path[:-1]).setdefault(path[-1], []).append(table)


def _drop(data: Any, path: KeyPath) -> None:
    """Take out a key, or a table of several and with the last of them their kind."""
    held = _inside(data, path[:-1])
    del held[path[-1]]
    if isinstance(path[-1], int) and not held:
        del _inside(data, path[:-2])[path[-2]]


# --- where things stand in the text ---------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Keys:
    """The lines of a table's own keys in the text, and how deep the table lies."""

    start: int
    end: int
    depth: int


def _body(text: str, places: Places, path: KeyPath) -> _Keys | None:
    """Return the keys of the table in which a key stands or belongs, None where there is none."""
    for depth in range(len(path) - 1, -1, -1):
        inside = [one for one in places.statements if one.table == path[:depth]]
        keys = [one for one in inside if not one.is_header]
        belongs = depth == len(path) - 1 or any(
            one.path[: depth + 1] == path[: depth + 1] for one in keys
        )
        if belongs and (inside or not depth):
            if depth:
                start = _line_end(text, inside[0].end)
            else:
                start = text.rfind("\n", 0, keys[0].start) + 1 if keys else 0
            return _Keys(start, max(start, _line_end(text, inside[-1].end) if inside else 0), depth)
    return None


def _block(path: KeyPath, table: Mapping[str, Any], *, is_one_of_many: bool = False) -> str:
    """Return a new table as text; within a list, TOML puts it to the last of these."""
    import tomlkit

    names = ".".join(tomlkit.key(part).as_string() for part in path if isinstance(part, str))
    header = f"[[{names}]]" if is_one_of_many else f"[{names}]"
    return f"{header}\n{tomlkit.dumps(table)}"


def _at_the_end(text: str, block: str) -> str:
    newline = _newline(text)
    gap = newline if text.strip() else ""
    return _closed(text) + gap + block.replace("\n", newline)


def _closed(text: str) -> str:
    """Return text whose last line ends."""
    return text if not text or text.endswith("\n") else text + _newline(text)


def _newline(text: str) -> str:
    return "\r\n" if "\r\n" in text else "\n"


def _line_end(text: str, offset: int) -> int:
    """Return where the line behind the one that holds `offset` begins."""
    return text.find("\n", offset) + 1 or len(text)


def _comments_above(text: str, offset: int) -> int:
    """Return where the block of comments straight above a statement begins."""
    start = text.rfind("\n", 0, offset) + 1
    while start > 0:
        above = text.rfind("\n", 0, start - 1) + 1
        if not text[above:start].lstrip().startswith("#"):
            break
        start = above
    return start


def _unsafe(path: KeyPath) -> WrongUse:
    """Return the refusal of an edit that could go wrong."""
    said = ".".join(str(part + 1) if isinstance(part, int) else part for part in path)
    return WrongUse(
        f"`{said}` can't be written safely into this file as it is laid out. "
        "Write it with an editor; nothing was changed."
    )

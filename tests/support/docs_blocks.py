"""The fenced blocks of the documents, and a home in which their commands are typed."""

from __future__ import annotations

import contextlib
import io
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stopwise.cli import run
from stopwise.ledger import default_place
from support.kept_day import SAMPLES, keep_day

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pytest

_FENCE = re.compile(r"^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
_PATIENCE_S = 120.0


@dataclass(frozen=True, slots=True)
class Block:
    """One fenced block of a page: its kind, what stands in it, and the output shown under it."""

    kind: str
    text: str
    shown: str | None = None

    @property
    def lines(self) -> list[str]:
        """Its command lines, each joined where it runs on, comments left out."""
        joined = self.text.replace("\\\n", " ").splitlines()
        return [line for line in joined if shlex.split(line, comments=True)]


def blocks_of(page: str) -> list[Block]:
    """Return a page's blocks in order; a block of text right under commands is what they print."""
    found: list[Block] = []
    end = 0
    for match in _FENCE.finditer(page):
        kind, text, between = match[1], match[2], page[end : match.start()]
        if kind == "text" and not between.strip() and found and found[-1].kind == "sh":
            found[-1] = Block("sh", found[-1].text, text)
        else:
            found.append(Block(kind, text))
        end = match.end()
    assert "```" not in page[end:], "a block that doesn't end"
    return found


class Home:
    """A user's home after the sample shoot, where a page's commands are typed one after the other.

    The frames and their plan lie in `~/shoots/today`, in which the commands are typed; the ledger
    holds the day as a watch of it that has ended.

    Parameters
    ----------
    place
        An empty folder that becomes it.
    records
        Each sample frame's record as JSON, by its file's name.
    patch
        What sets the environment for the commands.
    """

    def __init__(self, place: Path, records: Mapping[str, Any], patch: pytest.MonkeyPatch) -> None:
        self.place, self.today = place, place / "shoots" / "today"
        self._patch = patch
        leave = shutil.ignore_patterns("lightmodel", "*.md", "*.json")
        shutil.copytree(SAMPLES, self.today, ignore=leave)
        (place / "archive" / "2025").mkdir(parents=True)
        shutil.copy(SAMPLES / "F0011.dng", place / "archive" / "2025")
        for name, value in {"HOME": place, "XDG_DATA_HOME": place / "data"}.items():
            patch.setenv(name, str(value))
        patch.chdir(self.today)
        keep_day(default_place(self.today), records, folder=self.today)
        keep_day(self.today / "june.sqlite", records, folder=self.today)
        shutil.copy("plan.toml", "june.toml")

    def types(self, line: str) -> str:
        """Type one line, and return what it prints, as :func:`plain` has it."""
        words = [os.path.expanduser(one) for one in shlex.split(line, comments=True)]  # noqa: PTH111
        match words:
            case ["cd", folder]:
                self._patch.chdir(folder)
                return ""
            case ["stopwise", "watch", *_]:
                return self.plain(_begun(words[1:]))
            case ["stopwise", "plan", "new"]:
                return self.plain(self._asked())
            case ["stopwise", *rest]:
                return self.plain(self._called(rest))
        done = subprocess.run(["bash", "-c", line], capture_output=True, text=True, check=False)
        assert done.returncode == 0, (line, done.stderr)
        return self.plain(done.stdout)

    def _asked(self) -> str:
        """Return what the questions of a new plan begin with, where there is none yet."""
        here = Path.cwd()
        (self.place / "new").mkdir()
        self._patch.chdir(self.place / "new")
        said = self._called(["plan", "new"])
        self._patch.chdir(here)
        assert "?" in said or ":" in said
        return said

    def _called(self, words: Sequence[str]) -> str:
        """Call a command in this process; one that would ask finds nobody who answers."""
        said = io.StringIO()
        self._patch.setattr(sys, "stdin", io.StringIO())
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            code = run(words)
        assert code in (0, 1), (words, said.getvalue())
        return said.getvalue()

    def plain(self, text: str) -> str:
        """Return words with what differs from run to run named: places, ports, times."""
        for found, put in (
            (re.escape(str(self.place)), "~"),
            (r"(?<=127\.0\.0\.1:)\d+", "PORT"),
            (r"-[0-9a-f]{12}\b", "-NAME"),
            (r"\b\d+(\.\d+)? s\b", "N s"),
            (r" +", " "),
        ):
            text = re.sub(found, put, text)
        return text


def _begun(words: Sequence[str]) -> str:
    """Return the first line of a command that goes on for ever, and end it as Ctrl-C does."""
    command = [sys.executable, "-c", "from stopwise.__main__ import main; main()", *words]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as it:
        ender = threading.Timer(_PATIENCE_S, it.kill)
        ender.start()
        assert it.stdout is not None
        first = it.stdout.readline()
        it.send_signal(signal.SIGINT)
        rest = it.stdout.read()
        ender.cancel()
    assert first, words
    assert it.returncode == 0, first + rest
    return first + rest


def is_shown(shown: str, said: str) -> bool:
    """Whether a page shows what was said; `...` stands for anything that is left out."""
    parts = [re.escape(part.strip()) for part in shown.split("...")]
    return re.fullmatch(r"\s*" + r".*".join(parts) + r"\s*", said, re.DOTALL) is not None

"""No shell is ever used, and no program is started: by what the source says and by what it does."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from pathlib import Path

import pytest

from lightmodel.dng import DngSpec, write_dng
from support.made_raws import levels_for

ROOT = Path(__file__).parents[1]
FILES = sorted([*(ROOT / "src").rglob("*.py"), *(ROOT / "sample_frames").rglob("*.py")])

STARTERS = {
    "os": (
        *("system", "popen", "startfile", "fork", "forkpty", "posix_spawn", "posix_spawnp"),
        *("execl", "execle", "execlp", "execlpe", "execv", "execve", "execvp", "execvpe"),
        *("spawnl", "spawnle", "spawnlp", "spawnlpe", "spawnv", "spawnve", "spawnvp", "spawnvpe"),
    ),
    "asyncio": ("create_subprocess_shell", "create_subprocess_exec"),
}
MODULES = {"subprocess", "pty", "commands", "popen2", "pexpect", "sh", "pickle", "marshal"}
BUILT_IN = {"eval", "exec", "compile", "__import__"}


def faults_of(source: str) -> list[str]:
    """Return what a source could start a program or run text with."""
    faults = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            faults += [one.name for one in node.names if one.name.split(".")[0] in MODULES]
        elif isinstance(node, ast.ImportFrom):
            module = node.module or ""
            names = {one.name for one in node.names}
            faults += [module] if module.split(".")[0] in MODULES else []
            faults += sorted(names & set(STARTERS.get(module, ())))
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            faults += [node.attr] if node.attr in STARTERS.get(node.value.id, ()) else []
        elif isinstance(node, ast.Call):
            if isinstance(node.func, ast.Name) and node.func.id in BUILT_IN:
                faults.append(node.func.id)
            faults += [word.arg for word in node.keywords if word.arg == "shell"]
    return faults


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_no_source_can_start_a_program_or_run_text(path: Path) -> None:
    assert faults_of(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "source",
    [
        "import subprocess",
        "from subprocess import run",
        "import os\nos.system('x')",
        "from os import popen",
        "run('x', shell=True)",
        "import asyncio\nasyncio.create_subprocess_shell('x')",
        "eval('1')",
        "import pickle",
    ],
)
def test_the_search_finds_what_it_is_for(source: str) -> None:
    assert faults_of(source)


STARTS = (
    *("subprocess.Popen", "os.system", "os.exec", "os.fork", "os.forkpty", "os.posix_spawn"),
    *("os.spawn", "os.startfile", "pty.spawn", "webbrowser.open"),
)
"""Audit events of CPython that tell of a program that is started (its library reference)."""

LISTENING = """
import json, sys
heard = []
sys.addaudithook(lambda name, given: heard.append(name) if name in {starts!r} else None)
from stopwise.cli import run
code = run({arguments!r})
print(json.dumps([code, heard]), file=sys.stderr)
"""

HOSTILE = (
    "$(touch PWNED).dng",
    "`touch PWNED`.dng",
    "; touch PWNED ;.dng",
    "| touch PWNED.dng",
    "a && touch PWNED #.dng",
    "a\n touch PWNED\n.dng",
    "--slip=PWNED.dng",
    "-rf.dng",
)


def run_in(folder: Path, arguments: list[str]) -> tuple[int, list[str], str]:
    code = LISTENING.format(starts=STARTS, arguments=arguments)
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=folder, capture_output=True, text=True, check=True
    )
    exit_code, heard = json.loads(done.stderr.splitlines()[-1])
    return exit_code, heard, done.stdout


@pytest.mark.skipif(sys.platform == "win32", reason="such names can't be there")
def test_hostile_names_are_judged_and_do_nothing(tmp_path: Path) -> None:
    levels = levels_for("gbrg uncompressed", (64, 96))
    for number, name in enumerate(HOSTILE):
        write_dng(tmp_path / name, levels + number, spec=DngSpec(compression="none", bits=16))
    before = sorted(path.name for path in tmp_path.iterdir())
    code, heard, said = run_in(tmp_path, ["check", "--json", "--", *HOSTILE])
    assert (code, heard) == (0, [])
    files = [json.loads(line)["file"] for line in said.splitlines()]
    assert files == list(HOSTILE)
    code, heard, _ = run_in(tmp_path, ["check", "--slip", "slips", "--", HOSTILE[0], HOSTILE[2]])
    assert (code, heard) == (0, [])
    slips = {path.name for path in (tmp_path / "slips").iterdir()}
    assert len(slips) == 2
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([*before, "slips"])


def test_the_listening_hears_a_program_that_is_started(tmp_path: Path) -> None:
    code = LISTENING.format(starts=STARTS, arguments=["--help"]).replace(
        "code = run", "import os; os.system('exit 0')\ncode = run"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert json.loads(done.stderr.splitlines()[-1])[1] == ["os.system"]

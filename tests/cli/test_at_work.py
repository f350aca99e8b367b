"""What takes a while is said while it lasts: on a terminal, and nowhere else."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from support.kept_day import SAMPLES

COMMAND = [sys.executable, "-m", "stopwise", "dial", "--plan", str(SAMPLES / "plan.toml"), "--json"]


@pytest.mark.skipif(sys.platform == "win32", reason="terminals are POSIX's here")
@pytest.mark.slow
@pytest.mark.parametrize("is_terminal", [True, False])
def test_a_command_says_on_a_terminal_only_what_it_is_at(tmp_path, is_terminal):
    import pty

    ours, theirs = pty.openpty() if is_terminal else os.pipe()
    env = {**os.environ, "XDG_DATA_HOME": str(tmp_path), "TERM": "xterm"}
    done = subprocess.run(
        COMMAND, check=False, stdout=subprocess.PIPE, stderr=theirs, env=env, timeout=120
    )
    os.close(theirs)
    told = b""
    try:
        while piece := os.read(ours, 65536):
            told += piece
    except OSError:  # a terminal that nobody writes to any more (EIO, on Linux)
        pass
    os.close(ours)
    assert done.returncode == 0
    assert done.stdout.startswith(b'{"schema": 1')
    assert (b"Reading the solos" in told) == is_terminal

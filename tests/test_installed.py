"""The package as it is handed out: it runs outside the checkout, with all that it needs inside."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    """Return a folder with what the wheel holds and nothing of the checkout."""
    place = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "-w", str(place)]
    done = subprocess.run([*command, str(ROOT)], check=False, capture_output=True, text=True)
    if "hatchling" in done.stderr and done.returncode:
        pytest.skip(f"no network to build with: {done.stderr[-200:]}")
    assert done.returncode == 0, done.stderr
    (wheel,) = place.glob("*.whl")
    with zipfile.ZipFile(wheel) as packed:
        packed.extractall(place / "there")
    return place / "there"


def called(installed, *arguments, into):
    environment = {**os.environ, "PYTHONPATH": str(installed), "XDG_DATA_HOME": str(into / "data")}
    command = [sys.executable, "-m", "stopwise", *arguments]
    return subprocess.run(
        command, check=False, capture_output=True, text=True, cwd=into, env=environment
    )


@pytest.mark.slow
def test_what_is_handed_out_runs_by_itself(installed, tmp_path):
    done = called(installed, "self-check", into=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "on plan, as it was made" in done.stdout  # the sample frames came along


@pytest.mark.slow
def test_pages_sheets_and_marks_of_types_came_along(installed):
    names = {path.relative_to(installed).as_posix() for path in installed.rglob("*")}
    source = ROOT / "src"
    ours = {
        path.relative_to(source).as_posix()
        for path in source.rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert ours - names == set()
    assert "stopwise/sample_frames/plan.toml" in names
    assert not [name for name in names if name.startswith(("tests/", "docs/"))]

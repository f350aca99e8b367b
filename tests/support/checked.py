"""What `check --json` says of every sample frame under its plan."""

from __future__ import annotations

import contextlib
import io
import json
from pathlib import Path
from typing import Any

from stopwise.cli import run

SAMPLES = Path(__file__).parents[2] / "sample_frames"
PLAN = SAMPLES / "plan.toml"
ALL = tuple(f"F{number:04d}.dng" for number in range(1, 22))


def check_samples() -> dict[str, Any]:
    """Return `code`, `said` (stderr) and `records`: each as printed, by its file's name."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        frames = [str(SAMPLES / name) for name in ALL]
        code = run(["check", *frames, "--plan", str(PLAN), "--json"])
    records = [json.loads(line) for line in out.getvalue().splitlines()]
    names = [Path(record["file"]).name for record in records]
    return {"code": code, "said": err.getvalue(), "records": dict(zip(names, records, strict=True))}
